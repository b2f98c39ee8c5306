"""Addresses, one include a feature."""

from django.urls import include, path

from studio import health, views
from studio.people import urls as people
from studio.week import views as week

# People come before takes and plans and know nothing of them, but a learner's page is made of both: it is joined here.
_people = [*people.urlpatterns, path("learners/<int:pk>/", week.learner, name="learner")]

urlpatterns = [
    path("", views.home, name="home"),
    path("healthz", health.healthz, name="health"),
    path("", include((_people, people.app_name))),
    path("", include("studio.exercises.urls")),
    path("", include("studio.takes.urls")),
    path("", include("studio.review.urls")),
    path("", include("studio.week.urls")),
]

handler400 = "studio.errors.bad_request"
handler403 = "studio.errors.forbidden"
handler404 = "studio.errors.not_found"
handler500 = "studio.errors.broken"
