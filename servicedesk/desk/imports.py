"""Bringing in a register: a trial that reports row by row, then the import itself on a second press."""

from __future__ import annotations

import uuid
from collections.abc import Iterable
from typing import Any

from django import forms
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.core.files.uploadedfile import UploadedFile
from django.http import HttpRequest, HttpResponse, StreamingHttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import redirect

from servicedesk.access import Act
from servicedesk.exchange.findings import Finding
from servicedesk.exchange.importing import ImportReport, import_register
from servicedesk.exchange.writing import csv_lines
from servicedesk.pages import PageView

MAX_BYTES = 20 * 1024 * 1024
SHOWN_FINDINGS = 300
PENDING = "import-pending"
REPORT_HEADINGS = ("row", "column", "severity", "found", "what is wrong", "what to do")


class UploadForm(forms.Form):
    """The file of a register."""

    file = forms.FileField(
        label="Register file",
        help_text="CSV with one row per unit and headings in the first row. Up to 20 MB.",
        widget=forms.ClearableFileInput(attrs={"accept": ".csv,text/csv"}),
        error_messages={
            "required": "Choose the file first.",
            "empty": "This file is empty. Choose the one that holds the register.",
        },
    )

    def clean_file(self) -> UploadedFile:
        """A file of a size that can be read in one go."""
        file: UploadedFile = self.cleaned_data["file"]
        if (file.size or 0) > MAX_BYTES:
            raise forms.ValidationError(
                "This file is larger than 20 MB. Split it by site and bring in the parts."
            )
        return file


class ImportView(PageView):
    """Upload, trial, import."""

    acts = (Act.IMPORT_REGISTER,)

    def get(self, request: HttpRequest) -> HttpResponseBase:
        """Show the form, or the report of the file that waits as a file."""
        pending = self.pending_bytes() if request.GET.get("report") == "csv" else None
        if pending is not None:
            return _report_file(self.trial(pending).findings)
        return self.show(UploadForm())

    def post(self, request: HttpRequest) -> HttpResponse:
        """Try the file out, or bring in the one that was tried out."""
        do = request.POST.get("do")
        if do == "store":
            return self.store(accept_rest=request.POST.get("accept_rest") == "yes")
        if do == "drop":
            self.forget()
            self.told("The file was put aside; nothing was imported.")
            return redirect("desk:import")
        form = UploadForm(request.POST, request.FILES)
        if not form.is_valid():
            return self.show(form, status=400)
        file = form.cleaned_data["file"]
        data = file.read()
        report = self.trial(data)
        self.forget()
        if not report.is_refused_file:
            name = default_storage.save(f"imports/{uuid.uuid4()}.csv", ContentFile(data))
            request.session[PENDING] = {"name": name, "file_name": file.name[:120]}
        return self.show(
            UploadForm(), report=report, file_name=file.name, status=400 if report.is_refused_file else 200
        )

    def trial(self, data: bytes) -> ImportReport:
        """What bringing in ``data`` would do; stores nothing."""
        return import_register(
            data, by=self.person, now=self.now, accept_rest=True, dry_run=True, refresh=False
        )

    def store(self, *, accept_rest: bool) -> HttpResponse:
        """Bring in the file that was tried out."""
        pending = self.request.session.get(PENDING)
        data = self.pending_bytes()
        if pending is None or data is None:
            self.warn(
                "No file waits to be brought in: it was taken in or put aside already. Upload it again."
            )
            return redirect("desk:import")
        report = import_register(data, by=self.person, now=self.now, accept_rest=accept_rest)
        if report.is_stored:
            self.forget()
        return self.show(UploadForm(), report=report, file_name=pending["file_name"])

    # --- the file between the two presses -----------------------------------------------------------

    def pending_bytes(self) -> bytes | None:
        """The file that waits for the second press; None when there is none."""
        pending = self.request.session.get(PENDING)
        if pending is None or not default_storage.exists(pending["name"]):
            return None
        with default_storage.open(pending["name"], "rb") as stored:
            found: bytes = stored.read()
        return found

    def forget(self) -> None:
        """Put the waiting file aside."""
        pending = self.request.session.pop(PENDING, None)
        if pending is not None:
            default_storage.delete(pending["name"])

    def show(
        self, form: UploadForm, *, report: ImportReport | None = None, file_name: str = "", status: int = 200
    ) -> HttpResponse:
        """The page."""
        context: dict[str, Any] = {"form": form, "report": report, "file_name": file_name}
        if report is not None:
            context |= {
                "tone": _tone(report),
                "refused": report.refused[:SHOWN_FINDINGS],
                "doubts": report.doubts[:SHOWN_FINDINGS],
                "refused_more": max(len(report.refused) - SHOWN_FINDINGS, 0),
                "doubts_more": max(len(report.doubts) - SHOWN_FINDINGS, 0),
                "rest": report.rows_read - len(report.refused_rows),
                "can_store": not report.is_stored and not report.is_refused_file,
            }
        return self.page("desk/import.html", context, status=status)


def _tone(report: ImportReport) -> str:
    if report.is_refused_file:
        return "overdue"
    return "ok" if report.is_stored else "soon"


def _report_file(findings: Iterable[Finding]) -> HttpResponseBase:
    rows = ((f.row or "", f.column, f.severity.value, f.found, f.sentence, f.remedy) for f in findings)
    response = StreamingHttpResponse(csv_lines(REPORT_HEADINGS, rows), content_type="text/csv; charset=utf-8")
    response["Content-Disposition"] = 'attachment; filename="register-report.csv"'
    return response
