"""Addresses of the review room."""

from django.urls import path

from studio.review import (
    beat_views,
    clips_views,
    compare_views,
    views,
    views_annotations,
    views_notes,
    views_overruling,
)

app_name = "review"
urlpatterns = [
    path("takes/<uuid:pk>/review/", views.take, name="take"),
    path("takes/<uuid:pk>/music.svg", views.music, name="music"),
    path("takes/<uuid:pk>/music.json", views.music_lines, name="music-lines"),
    path("takes/<uuid:pk>/timeline.json", views.timeline, name="timeline"),
    path("takes/<uuid:pk>/compare/", compare_views.compare, name="compare"),
    path("takes/<uuid:pk>/beat/", beat_views.beat, name="beat"),
    path("takes/<uuid:pk>/clip", clips_views.clip, name="clip"),
    path("takes/<uuid:pk>/movements/<int:index>/model", clips_views.model_clip, name="model-clip"),
    path("takes/<uuid:pk>/movements/<int:index>/sounds.json", clips_views.sounds, name="sounds"),
    path("takes/<uuid:pk>/loudness.json", clips_views.loudness, name="loudness"),
    path("takes/<uuid:pk>/pitch.json", clips_views.pitch, name="pitch"),
    path("takes/<uuid:pk>/notes.json", views_notes.notes, name="notes"),
    path("takes/<uuid:pk>/notes/read/", views_notes.read, name="read"),
    path("notes/<uuid:pk>/", views_notes.note, name="note"),
    path("notes/<uuid:pk>/restore/", views_notes.restore, name="restore"),
    path("takes/<uuid:pk>/answers/", views_notes.record, name="record"),
    path("answers/<uuid:pk>/", views_notes.answer, name="answer"),
    path("answers/<uuid:pk>/sound", views_notes.answer_sound, name="answer-sound"),
    path("phrases/", views_notes.phrases, name="phrases"),
    path("phrases/<int:pk>/", views_notes.phrase, name="phrase"),
    path("takes/<uuid:pk>/annotations.jsonld", views_annotations.collection, name="annotations"),
    path("notes/<uuid:pk>/annotation.jsonld", views_annotations.single, name="annotation"),
    path("takes/<uuid:pk>/movements/<int:index>/ruling/", views_overruling.ruling, name="ruling"),
    path("agreement/", views_overruling.agreement, name="agreement"),
    path("agreement/movements.csv", views_overruling.measures, name="measures"),
]
