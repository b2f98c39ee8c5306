"""Addresses of exercises."""

from django.urls import path

from studio.exercises import customs, exports, listening, sheets_views, views, views_library, views_writing

app_name = "exercises"
urlpatterns = [
    path("exercises/", views.list_exercises, name="list"),
    path("exercises/new/", views_writing.new, name="new"),
    path("exercises/new/phrase/", views_writing.new_phrase, name="new-phrase"),
    path("exercises/customs/", customs.save, name="customs"),
    path("exercises/library/", views_library.browse, name="library"),
    path("exercises/library/<slug:key>/", views_library.entry, name="library-entry"),
    path("exercises/library/<slug:key>/music.svg", views_library.music, name="library-music"),
    path("exercises/library/<slug:key>/model.flac", views_library.model, name="library-model"),
    path("exercises/library/<slug:key>/copy/", views_library.copy, name="library-copy"),
    path("exercises/import/", views_writing.bring_in, name="import"),
    path("exercises/preview/", views_writing.preview, name="preview"),
    path("exercises/<int:pk>/", views.show, name="show"),
    path("exercises/<int:pk>/edit/", views_writing.edit, name="edit"),
    path("exercises/<int:pk>/put-away/", views.put_away, name="put-away"),
    path("exercises/<int:pk>/bring-back/", views.bring_back, name="bring-back"),
    path("exercises/<int:pk>/copy/", views_writing.copy, name="copy"),
    path("exercises/<int:pk>/open/", views.open_to_all, name="open"),
    path("exercises/<int:pk>/close/", views.close, name="close"),
    path("exercises/<int:pk>/music.svg", views.music, name="music"),
    path("exercises/<int:pk>/model.flac", views.model, name="model"),
    path("exercises/<int:pk>/listen/", listening.listen, name="listen"),
    path("exercises/<int:pk>/listen/sound", listening.listen_sound, name="listen-sound"),
    path("exercises/<int:pk>/exercise.abc", views.abc, name="abc"),
    path("exercises/<int:pk>/exercise.musicxml", exports.musicxml, name="musicxml"),
    path("exercises/<int:pk>/exercise.mei", exports.mei, name="mei"),
    path("exercises/<int:pk>/exercise.mid", exports.midi, name="midi"),
    path("exercises/<int:pk>/exercise.pdf", exports.pdf, name="pdf"),
    path("exercises/sheets/", sheets_views.choose, name="sheets"),
    path("exercises/sheets/sheet.pdf", sheets_views.sheet, name="sheet"),
]
