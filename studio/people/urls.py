"""Addresses of people. A learner's own page is made of their week, so studio/urls.py adds it here as people:learner."""

from django.contrib.auth.views import LogoutView
from django.urls import path

from studio.people import studio_views, views

app_name = "people"
urlpatterns = [
    path("log-in/", views.LogIn.as_view(), name="log-in"),
    path("log-out/", LogoutView.as_view(), name="log-out"),
    path("set-up/", views.set_up, name="set-up"),
    path("join/<str:token>/", views.join, name="join"),
    path("account/", views.account, name="account"),
    path("studio/", studio_views.settings_page, name="studio"),
    path("learners/", views.learners, name="learners"),
    path("learners/<int:pk>/rename/", views.rename, name="rename"),
    path("learners/<int:pk>/invite/", views.invite, name="invite"),
    path("learners/<int:pk>/end/", views.end, name="end"),
    path("learners/<int:pk>/bring-back/", views.bring_back, name="bring-back"),
]
