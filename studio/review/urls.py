"""Addresses of the review room."""

from django.urls import path

from studio.review import views

app_name = "review"
urlpatterns = [
    path("takes/<uuid:pk>/review/", views.take, name="take"),
    path("takes/<uuid:pk>/music.svg", views.music, name="music"),
    path("takes/<uuid:pk>/timeline.json", views.timeline, name="timeline"),
    path("takes/<uuid:pk>/notes.json", views.notes, name="notes"),
    path("takes/<uuid:pk>/notes/read/", views.read, name="read"),
    path("notes/<uuid:pk>/", views.note, name="note"),
    path("notes/<uuid:pk>/restore/", views.restore, name="restore"),
]
