from django.http import HttpRequest, HttpResponse


def people(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("desk_people.people")


def person(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("desk_people.person")


def new_person(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("desk_people.new_person")


def edit_person(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("desk_people.edit_person")


def step_done(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("desk_people.step_done")


def step_back(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("desk_people.step_back")


def appoint(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("desk_people.appoint")


def leave(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("desk_people.leave")


def import_people(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("desk_people.import_people")


def car(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("desk_people.car")


def hours(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("desk_people.hours")


def away(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("desk_people.away")


def end_away(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("desk_people.end_away")
