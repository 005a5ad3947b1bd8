from django.http import HttpRequest, HttpResponse


def sites(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("desk_sites.sites")


def site(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("desk_sites.site")


def new_site(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("desk_sites.new_site")


def door_notes(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("desk_sites.door_notes")


def contacts(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("desk_sites.contacts")


def close(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("desk_sites.close")


def lift(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("desk_sites.lift")
