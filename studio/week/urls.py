"""Addresses of the week. The learner's page stands in studio/urls.py, under the name of people:learner."""

from django.urls import path

from studio.week import plan_views, views

app_name = "week"
urlpatterns = [
    path("board/", views.board, name="board"),
    path("week/", views.mine, name="mine"),
    path("learners/<int:pk>/plan/", plan_views.plan, name="plan"),
]
