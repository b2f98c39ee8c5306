"""Addresses of exercises."""

from django.urls import path

from studio.exercises import listening, views

app_name = "exercises"
urlpatterns = [
    path("exercises/", views.list_exercises, name="list"),
    path("exercises/new/", views.new, name="new"),
    path("exercises/new/phrase/", views.new_phrase, name="new-phrase"),
    path("exercises/preview/", views.preview, name="preview"),
    path("exercises/<int:pk>/", views.show, name="show"),
    path("exercises/<int:pk>/edit/", views.edit, name="edit"),
    path("exercises/<int:pk>/put-away/", views.put_away, name="put-away"),
    path("exercises/<int:pk>/bring-back/", views.bring_back, name="bring-back"),
    path("exercises/<int:pk>/music.svg", views.music, name="music"),
    path("exercises/<int:pk>/model.flac", views.model, name="model"),
    path("exercises/<int:pk>/listen/", listening.listen, name="listen"),
    path("exercises/<int:pk>/listen/sound", listening.listen_sound, name="listen-sound"),
    path("exercises/<int:pk>/exercise.abc", views.abc, name="abc"),
]
