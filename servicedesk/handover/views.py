"""Handing a register over, and taking one over."""

from __future__ import annotations

import uuid
from typing import Any, BinaryIO, cast

from django import forms
from django.core.exceptions import ValidationError
from django.core.files.storage import default_storage
from django.core.files.uploadedfile import UploadedFile
from django.http import FileResponse, Http404, HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import redirect

from inventory.register.queries import owners_for, sites_for
from servicedesk.access import Act
from servicedesk.desk.fields import pick_field
from servicedesk.handover.models import HandedRow, HandoverRun, TakeOver
from servicedesk.handover.reading import HandedFileRefused, Problem, open_handed
from servicedesk.handover.runs import ask, download_name, path_of, stop
from servicedesk.handover.tables import TABLES
from servicedesk.handover.taking import Taken, take_over
from servicedesk.pages import PageView, paged, place_errors, read_uuid

MOST_UPLOAD = 256 * 1024**2
MOST_ROWS = 50_000
"""A page does not wait for more; ``manage.py take_over`` does."""
PENDING = "take-over-pending"
SHOWN = 100
PER_PAGE = 25


class HandoverForm(forms.Form):
    """What is handed over, and how."""

    form = forms.ChoiceField(label="As", choices=HandoverRun.Form.choices, initial=HandoverRun.Form.JSON)
    with_papers = forms.BooleanField(label="With papers and photos", required=False, initial=True)
    field_order = ("site", "owner", "form", "with_papers")

    def __init__(self, *args: Any, view: PageView, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["site"] = pick_field(
            sites_for(view.scope).select_related(None), label="One site", empty_label="No single site"
        )
        self.fields["owner"] = pick_field(
            owners_for(view.scope), label="Or one owner", empty_label="Every owner: the whole firm"
        )
        self.order_fields(self.field_order)

    def clean(self) -> dict[str, Any]:
        """A site or an owner, not both."""
        given = super().clean() or {}
        if given.get("site") and given.get("owner"):
            self.add_error("owner", "Choose a site or an owner, not both.")
        return given


class HandoverView(PageView):
    """Ask for a handover, see how far it is, fetch it."""

    acts = (Act.HAND_OVER,)

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show the form and what was asked for in the last week."""
        return self.show(HandoverForm(view=self, initial={"site": request.GET.get("site", "")}))

    def post(self, request: HttpRequest) -> HttpResponse:
        """Begin one, or stop one."""
        if self.pressed("stop", "") == "stop":
            stop(self.found(HandoverRun.objects.all(), read_uuid(request.POST.get("run", ""))))
            self.told("Stopped. Nothing of the file is kept.")
            return redirect("desk:handover")
        form = HandoverForm(request.POST, view=self)
        if not form.is_valid():
            return self.show(form, status=400)
        given = form.cleaned_data
        try:
            run = ask(
                site=given["site"],
                owner=given["owner"],
                form=given["form"],
                with_papers=given["with_papers"],
                by=self.person,
                now=self.now,
            )
        except ValidationError as problem:
            place_errors(form, problem)
            return self.show(form, status=400)
        if run.finished_at is not None:
            self.told("The file is ready below.")
        else:
            self.told("The file is written in the background. This page looks again by itself.")
        return redirect("desk:handover")

    def show(self, form: HandoverForm, status: int = 200) -> HttpResponse:
        """The page."""
        page = paged(self.request, HandoverRun.objects.select_related("site", "owner", "asked_by"), PER_PAGE)
        context = {
            "form": form,
            "page_obj": page,
            "is_busy": any(not run.finished_at and not run.is_stopped for run in page.object_list),
            "tables": [(table.name, table.about, table.is_live) for table in TABLES],
        }
        return self.page("handover/hand_over.html", context, status=status)


class HandoverFileView(PageView):
    """The file itself."""

    acts = (Act.HAND_OVER,)

    def get(self, request: HttpRequest, run_id: uuid.UUID) -> HttpResponseBase:
        """Hand it out."""
        runs = HandoverRun.objects.select_related("site", "owner").filter(finished_at__isnull=False)
        run = self.found(runs, run_id)
        try:
            file = path_of(run).open("rb")
        except FileNotFoundError as gone:
            raise Http404 from gone
        answer = FileResponse(file, as_attachment=True, filename=download_name(run))
        answer["Cache-Control"] = "private, no-store"
        return answer


class UploadForm(forms.Form):
    """The file that was handed over."""

    file = forms.FileField(
        label="Handed-over file",
        help_text="The ZIP in the JSON form, or its register.json. Up to 256 MB.",
        widget=forms.ClearableFileInput(attrs={"accept": ".zip,.json"}),
        error_messages={
            "required": "Choose the file first.",
            "empty": "This file is empty. Choose the one that was handed over.",
        },
    )

    def clean_file(self) -> UploadedFile:
        """A file of a size that a page can take."""
        file: UploadedFile = self.cleaned_data["file"]
        if (file.size or 0) > MOST_UPLOAD:
            raise forms.ValidationError(
                "This file is larger than 256 MB. Take it over with manage.py take_over on the server."
            )
        return file


class TakeOverView(PageView):
    """Try a handed-over file out, then take it over."""

    acts = (Act.TAKE_OVER,)

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show the form and what was taken over before."""
        return self.show(UploadForm())

    def post(self, request: HttpRequest) -> HttpResponse:
        """Try the file out, take over the one that was tried out, or put it aside."""
        do = self.pressed("try", "take", "drop")
        if do == "drop":
            self.forget()
            self.told("The file was put aside; nothing was taken over.")
            return redirect("desk:take-over")
        if do == "take":
            return self.take()
        form = UploadForm(request.POST, request.FILES)
        if not form.is_valid():
            return self.show(form, status=400)
        self.forget()
        file = form.cleaned_data["file"]
        name = default_storage.save(f"handovers/in/{uuid.uuid4()}", file)
        try:
            with default_storage.open(name, "rb") as stored:
                taken = self.run(cast(BinaryIO, stored), is_trial=True)
        except HandedFileRefused as refused:
            default_storage.delete(name)
            return self.show(form, refused=refused, status=400)
        if taken.is_repeat:
            default_storage.delete(name)
        else:
            request.session[PENDING] = {"name": name, "file_name": (file.name or "")[:120]}
        return self.show(UploadForm(), taken=taken, is_trial=True)

    def take(self) -> HttpResponse:
        """Take over the file that was tried out."""
        pending = self.request.session.get(PENDING)
        if pending is None or not default_storage.exists(pending["name"]):
            self.warn(
                "No file waits to be taken over: it was taken over or put aside already. Upload it again."
            )
            return redirect("desk:take-over")
        try:
            with default_storage.open(pending["name"], "rb") as stored:
                taken = self.run(cast(BinaryIO, stored), is_trial=False)
        except HandedFileRefused as refused:
            return self.show(UploadForm(), refused=refused, status=400)
        self.forget()
        return self.show(UploadForm(), taken=taken)

    def run(self, file: BinaryIO, *, is_trial: bool) -> Taken:
        """Read the file and take it over, or only try."""
        handed = open_handed(file)
        rows = sum(len(found) for found in handed.tables.values())
        if rows > MOST_ROWS:
            raise _too_long(rows)
        return take_over(handed, by=self.person, now=self.now, is_trial=is_trial)

    def forget(self) -> None:
        """Put the waiting file aside."""
        pending = self.request.session.pop(PENDING, None)
        if pending is not None:
            default_storage.delete(pending["name"])

    def show(
        self,
        form: UploadForm,
        *,
        taken: Taken | None = None,
        is_trial: bool = False,
        refused: HandedFileRefused | None = None,
        status: int = 200,
    ) -> HttpResponse:
        """The page."""
        context: dict[str, Any] = {
            "form": form,
            "taken": taken,
            "is_trial": is_trial,
            "refused": refused.problems[:SHOWN] if refused else [],
            "page_obj": paged(self.request, TakeOver.objects.select_related("taken_by"), PER_PAGE),
        }
        if taken is not None:
            context["counts"] = [
                (table.name, taken.added[table.name], taken.known[table.name])
                for table in TABLES
                if taken.added[table.name] or taken.known[table.name]
            ]
        return self.page("handover/take_over.html", context, status=status)


class TakenPaperView(PageView):
    """A paper of an earlier house, byte for byte as it came."""

    acts = (Act.SEE_CERTIFICATES,)

    def get(self, request: HttpRequest, row_id: int) -> HttpResponseBase:
        """Hand it out to whoever may see its site."""
        row = HandedRow.objects.visible_to(self.scope).filter(pk=row_id).exclude(file_name="").first()
        if row is None or not default_storage.exists(row.file_name):
            raise Http404
        name = f"{row.table_name}-{row.sha256[:12]}.{row.file_name.rpartition('.')[2]}"
        answer = FileResponse(default_storage.open(row.file_name, "rb"), as_attachment=True, filename=name)
        answer["Cache-Control"] = "private, no-store"
        return answer


def _too_long(rows: int) -> HandedFileRefused:
    return HandedFileRefused(
        [
            Problem(
                "",
                0,
                "",
                f"The file holds {rows:,} rows; a page takes up to {MOST_ROWS:,}.",
                "Take it over with manage.py take_over on the server. Nothing was taken over.",
            )
        ]
    )
