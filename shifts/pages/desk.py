from django.http import HttpRequest, HttpResponse


def desk(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("desk.desk")


def told(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("desk.told")


def try_again(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("desk.try_again")


def not_told(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("desk.not_told")


def second_factor(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("desk.second_factor")


def week(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("desk.week")


def orientation(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("desk.orientation")
