from django.http import HttpRequest, HttpResponse


def shifts(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("desk_shifts.shifts")


def shift(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("desk_shifts.shift")


def new_shift(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("desk_shifts.new_shift")


def end(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("desk_shifts.end")
