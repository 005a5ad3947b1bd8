from django.http import HttpRequest, HttpResponse


def home(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("volunteer.home")


def runs(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("volunteer.runs")


def run(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("volunteer.run")


def book(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("volunteer.book")


def give_back(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("volunteer.give_back")


def sign_off(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("volunteer.sign_off")
