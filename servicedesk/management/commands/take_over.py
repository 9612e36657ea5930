"""``manage.py take_over FILE --by NAME``: take over a register that another house handed over."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from servicedesk.access import Act, may
from servicedesk.accounts.models import User
from servicedesk.handover.reading import HandedFileRefused, open_handed
from servicedesk.handover.taking import take_over


class Command(BaseCommand):
    """Takes a file over, or tells everything that is wrong with it."""

    help = (
        "Take over a register that another house handed over (the ZIP in the JSON form, or its "
        "register.json). Every value, reference, digest and chain of records is looked at first; nothing "
        "is ever taken over half, and taking a file over again changes nothing."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        """File, who takes it over, and whether only to try."""
        parser.add_argument("file", type=Path, help="the file that was handed over")
        parser.add_argument("--by", required=True, help="sign-in name of the manager who takes it over")
        parser.add_argument("--dry-run", action="store_true", help="try it out, store nothing")

    def handle(self, *args: Any, **options: Any) -> None:
        """Do it."""
        by = User.objects.filter(username=options["by"]).first()
        if by is None or not may(by, Act.TAKE_OVER):
            raise CommandError(f"{options['by']} is not the sign-in name of a manager. Name one with --by.")
        try:
            with options["file"].open("rb") as file:
                taken = take_over(open_handed(file), by=by, now=timezone.now(), is_trial=options["dry_run"])
        except OSError as error:
            raise CommandError(
                f"{options['file']} cannot be read: {error.strerror}. Check the name and try again."
            ) from error
        except HandedFileRefused as refused:
            for problem in refused.problems:
                self.stderr.write(problem.text)
            raise CommandError("Nothing was taken over.") from refused
        for note in taken.notes:
            self.stdout.write(note)
        self.stdout.write(
            f"Tried out; nothing was stored. {taken.sentence}" if options["dry_run"] else taken.sentence
        )
