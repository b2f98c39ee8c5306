from django.urls import URLPattern

app_name = "exercises"
urlpatterns: list[URLPattern] = []
