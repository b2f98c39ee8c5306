"""Addresses, one include a feature."""

from django.urls import include, path

from studio import views

urlpatterns = [
    path("", views.home, name="home"),
    path("", include("studio.people.urls")),
    path("", include("studio.exercises.urls")),
    path("", include("studio.takes.urls")),
    path("", include("studio.review.urls")),
    path("", include("studio.week.urls")),
]
