from django.urls import path

from shifts.demo import views

urlpatterns = [
    path("", views.front, name="demo"),
    path("as/<slug:who>/", views.look_in, name="demo_as"),
    path("mail/<int:pk>/", views.mail, name="demo_mail"),
]
