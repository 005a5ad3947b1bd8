from django.conf import settings
from django.urls import include, path

urlpatterns = [
    path("account/", include("allauth.urls")),
    path("", include("shifts.pages.urls")),
]
if settings.DEMO:  # lets anybody look in as anybody: it exists nowhere else
    urlpatterns.append(path("demo/", include("shifts.demo.urls")))
