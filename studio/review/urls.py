"""Addresses of the review room."""

from django.urls import path

from studio.review import clips_views, views

app_name = "review"
urlpatterns = [
    path("takes/<uuid:pk>/review/", views.take, name="take"),
    path("takes/<uuid:pk>/music.svg", views.music, name="music"),
    path("takes/<uuid:pk>/timeline.json", views.timeline, name="timeline"),
    path("takes/<uuid:pk>/clip", clips_views.clip, name="clip"),
    path("takes/<uuid:pk>/movements/<int:index>/model", clips_views.model_clip, name="model-clip"),
    path("takes/<uuid:pk>/movements/<int:index>/sounds.json", clips_views.sounds, name="sounds"),
    path("takes/<uuid:pk>/loudness.json", clips_views.loudness, name="loudness"),
    path("takes/<uuid:pk>/pitch.json", clips_views.pitch, name="pitch"),
    path("takes/<uuid:pk>/notes.json", views.notes, name="notes"),
    path("takes/<uuid:pk>/notes/read/", views.read, name="read"),
    path("notes/<uuid:pk>/", views.note, name="note"),
    path("notes/<uuid:pk>/restore/", views.restore, name="restore"),
]
