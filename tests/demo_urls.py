"""The addresses as they are where DEMO is set; settings are read once, so a test names this module."""

from django.urls import include, path

from config.urls import urlpatterns as everywhere

urlpatterns = [*everywhere, path("demo/", include("shifts.demo.urls"))]
