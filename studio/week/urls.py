from django.urls import URLPattern

app_name = "week"
urlpatterns: list[URLPattern] = []
