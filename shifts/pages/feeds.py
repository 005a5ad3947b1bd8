from django.http import HttpRequest, HttpResponse


def feed(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("feeds.feed")


def healthz(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("feeds.healthz")
