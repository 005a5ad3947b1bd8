"""The addresses of the application and one more: the least that a Django view can do with one row."""

from django.http import HttpRequest, HttpResponse, HttpResponseNotModified
from django.urls import include, path

from shifts.calendar.feed import READ
from volunteers.models import Person


def bare(request: HttpRequest, pk: int) -> HttpResponse:
    """The same read as a poll's, which is smaller than that of a whole row; and it asks nothing of it."""
    Person.objects.only(*READ).get(pk=pk)
    return HttpResponseNotModified()


urlpatterns = [path("cal/bare/<int:pk>", bare), path("", include("config.urls"))]
