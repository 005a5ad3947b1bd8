from __future__ import annotations

from typing import ClassVar

from django.contrib.auth.base_user import AbstractBaseUser, BaseUserManager
from django.db import models
from django.db.models import F, Q
from django.db.models.functions import Lower


class UserManager(BaseUserManager["User"]):
    def create_user(self, email: str, **fields) -> User:
        user = self.model(email=email.strip().lower(), **fields)
        user.set_unusable_password()
        user.save()
        return user

    def get_by_natural_key(self, email: str | None) -> User:
        return self.get(email=(email or "").lower())


class User(AbstractBaseUser):
    """A sign-in: an address at which codes arrive. The volunteer is a Person; a household may share one."""

    email = models.EmailField(unique=True)
    is_active = models.BooleanField(default=True)
    is_coordinator = models.BooleanField(default=False)
    date_joined = models.DateTimeField(auto_now_add=True)

    objects = UserManager()

    USERNAME_FIELD = "email"
    EMAIL_FIELD = "email"
    REQUIRED_FIELDS: ClassVar[list[str]] = []

    class Meta:
        constraints = [
            models.CheckConstraint(name="user_email_lower_case", condition=Q(email=Lower(F("email")))),
        ]

    def __str__(self) -> str:
        return self.email
