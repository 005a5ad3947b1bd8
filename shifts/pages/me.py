from django.http import HttpRequest, HttpResponse


def me(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("me.me")


def hours(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("me.hours")


def car(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("me.car")


def add_away(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("me.add_away")


def end_away(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("me.end_away")


def act_for(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("me.act_for")


def calendar(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("me.calendar")


def new_link(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("me.new_link")
