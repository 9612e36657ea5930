"""``manage.py add_person NAME --role ROLE``: give somebody a sign-in."""

from __future__ import annotations

import getpass
import sys
from typing import Any

from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import transaction

from inventory.register.models import Owner
from servicedesk.accounts.models import OwnerMembership, User


class Command(BaseCommand):
    help = (
        "Give a person a sign-in. The password is asked for, or read from standard input when that is no "
        "terminal. An owner's person needs --owner with the exact name of the owner."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("username")
        parser.add_argument("--role", required=True, choices=User.Role.values)
        parser.add_argument("--first-name", default="")
        parser.add_argument("--last-name", default="")
        parser.add_argument("--email", default="")
        parser.add_argument("--licence", default="", help="licence number, printed on certificates")
        parser.add_argument("--owner", action="append", default=[], help="owner whose premises are seen")

    @transaction.atomic
    def handle(self, *args: Any, **options: Any) -> None:
        owners = list(Owner.objects.filter(name__in=options["owner"]))
        missing = set(options["owner"]) - {owner.name for owner in owners}
        if missing:
            raise CommandError(f"No owner is called {', '.join(sorted(missing))}. Import the register first.")
        if (options["role"] == User.Role.OWNER) != bool(owners):
            raise CommandError("The role owner goes with at least one --owner, and no other role does.")
        if User.objects.filter(username=options["username"]).exists():
            raise CommandError(f"{options['username']} already has a sign-in. Choose another name.")
        password = getpass.getpass("Password: ") if sys.stdin.isatty() else sys.stdin.readline().rstrip("\n")
        user = User(
            username=options["username"],
            role=options["role"],
            first_name=options["first_name"],
            last_name=options["last_name"],
            email=options["email"],
            licence_number=options["licence"],
        )
        try:
            validate_password(password, user)
            user.set_password(password)
            user.full_clean()
        except ValidationError as error:
            raise CommandError(" ".join(error.messages)) from error
        user.save()
        OwnerMembership.objects.bulk_create([OwnerMembership(user=user, owner=owner) for owner in owners])
        self.stdout.write(f"{user.username} can sign in as {user.get_role_display().lower()}.")
