"""What the API remembers of its own answers."""

from __future__ import annotations

from django.conf import settings
from django.db import models


class IdempotentAnswer(models.Model):
    """The first answer to an unsafe call, given again to a repeat with the same key.

    ``request_digest`` guards the key: the same key with other content is a mistake of the
    client and gets a conflict, never somebody else's answer.
    """

    user = models.ForeignKey(settings.AUTH_USER_MODEL, models.CASCADE, related_name="+")
    key = models.CharField(max_length=120)
    request_digest = models.CharField(max_length=64)
    status = models.PositiveSmallIntegerField()
    body = models.JSONField()
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["id"]
        constraints = [
            models.UniqueConstraint(fields=["user", "key"], name="idempotent_answer_once_per_user"),
        ]

    def __str__(self) -> str:
        return f"{self.key}: {self.status}"
