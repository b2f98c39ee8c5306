"""Addresses of takes."""

from django.urls import path

from studio.takes import views

app_name = "takes"
urlpatterns = [
    path("takes/", views.list_takes, name="list"),
    path("takes/new/", views.new, name="new"),
    path("takes/<uuid:pk>/", views.take, name="take"),
    path("takes/<uuid:pk>/status.json", views.status, name="status"),
    path("takes/<uuid:pk>/sound", views.sound, name="sound"),
    path("takes/<uuid:pk>/retry/", views.retry, name="retry"),
    path("takes/<uuid:pk>/delete/", views.delete, name="delete"),
]
