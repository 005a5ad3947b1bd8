from django.http import HttpRequest, HttpResponse


def settings_page(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("desk_settings.settings_page")


def test_mail(request: HttpRequest, **kwargs) -> HttpResponse:
    return HttpResponse("desk_settings.test_mail")
