from django.http import HttpRequest, HttpResponse


def run(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("desk_runs.run")


def seat(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("desk_runs.seat")


def take_out(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("desk_runs.take_out")


def cancel(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("desk_runs.cancel")


def restore(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("desk_runs.restore")


def second_car(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("desk_runs.second_car")


def new_run(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("desk_runs.new_run")


def note(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("desk_runs.note")


def sign_off(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("desk_runs.sign_off")
