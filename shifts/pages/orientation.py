from django.http import HttpRequest, HttpResponse


def orientation(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("orientation.orientation")


def briefing(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("orientation.briefing")


def doors(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("orientation.doors")
