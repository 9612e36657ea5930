"""Bringing in a register: the list of files, settling columns, the report, storing and taking back."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Sequence
from typing import Any
from uuid import UUID

from django import forms
from django.core.files.uploadedfile import UploadedFile
from django.core.paginator import Page
from django.db.models import Count, Q, QuerySet
from django.http import FileResponse, HttpRequest, HttpResponse, StreamingHttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import redirect
from openpyxl import Workbook
from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE

from inventory.errors import Conflict
from inventory.register.models import FactRank, Unit
from servicedesk.access import Act
from servicedesk.desk.import_forms import SettleForm, column_lines
from servicedesk.exchange import runs
from servicedesk.exchange.findings import RegisterFileError
from servicedesk.exchange.models import (
    ImportEffect,
    ImportFinding,
    ImportLine,
    RegisterImport,
    RegisterSource,
)
from servicedesk.exchange.writing import csv_lines, plain_cell
from servicedesk.pages import PageView, paged

MAX_BYTES = 40 * 1024 * 1024
State = RegisterImport.State
Verdict = ImportLine.Verdict
REPORT_HEADINGS = (
    "row", "column", "column_letter", "severity", "code", "found", "becomes", "what is wrong", "what to do",
)  # fmt: skip
ROW_HEADINGS = ("row", "what happens", "unit", "serial", "place", "left out", "changes", "other columns")
SEVERITIES = {"refused": "Refused", "doubt": "In doubt", "skipped": "No unit, passed over"}
TONES = {"refused": "overdue", "doubt": "soon", "skipped": "none"}
STATE_TONES = {
    State.SETTLING: "soon", State.READING: "away", State.READ: "soon", State.STORING: "away",
    State.DATING: "away", State.STORED: "ok", State.UNDOING: "away", State.UNDONE: "none",
    State.DROPPED: "none",
}  # fmt: skip


class UploadForm(forms.Form):
    """The file of a register, and whose it is."""

    file = forms.FileField(
        label="Register file",
        help_text="CSV, XLSX, ODS or XLS, one unit a row. Up to 40 MB.",
        widget=forms.ClearableFileInput(attrs={"accept": ".csv,.tsv,.txt,.xlsx,.xlsm,.ods,.xls"}),
        error_messages={
            "required": "Choose the file first.",
            "empty": "This file is empty. Choose the one that holds the register.",
        },
    )
    source = forms.CharField(
        label="Who sent it",
        required=False,
        max_length=120,
        help_text="A customer, another firm, our own survey. What you settle is kept for its next file.",
        widget=forms.TextInput(attrs={"list": "import-sources", "autocomplete": "off"}),
    )
    rank = forms.TypedChoiceField(
        label="What its facts were read from",
        required=False,
        coerce=int,
        empty_value=None,
        help_text="A fact from a better source is not overwritten: both are kept.",
        choices=[("", "As for its last file, else an owner's list"), *FactRank.choices[1:]],
    )

    def clean_file(self) -> UploadedFile:
        """A file of a size that can be read in one go."""
        file: UploadedFile = self.cleaned_data["file"]
        if (file.size or 0) > MAX_BYTES:
            raise forms.ValidationError(
                "This file is larger than 40 MB. Split it by site and bring in the parts."
            )
        return file


class ImportsView(PageView):
    """Upload a file; what was brought in before."""

    acts = (Act.IMPORT_REGISTER,)

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show the form and the list."""
        return self.show(UploadForm())

    def post(self, request: HttpRequest) -> HttpResponse:
        """Take a file in; nothing is read into the register yet."""
        form = UploadForm(request.POST, request.FILES)
        if not form.is_valid():
            return self.show(form, status=400)
        file = form.cleaned_data["file"]
        source = self.source(form)
        try:
            run = runs.receive(file.read(), file_name=file.name, source=source, by=self.person, now=self.now)
        except RegisterFileError as error:
            return self.show(form, findings=error.findings, file_name=file.name, status=400)
        return redirect("desk:import-one", run.public_id)

    def source(self, form: UploadForm) -> RegisterSource | None:
        """The source that the form names; a new name makes a new one."""
        name = " ".join(form.cleaned_data["source"].split())
        if not name:
            return None
        rank = form.cleaned_data["rank"]
        source = RegisterSource.objects.filter(name__iexact=name).first()
        if source is None:
            return RegisterSource.objects.create(
                name=name, rank=rank or FactRank.OWNER_LIST, made_by=self.person
            )
        if rank and source.rank != rank:
            source.rank = rank
            source.save(update_fields=["rank"])
        return source

    def show(
        self,
        form: UploadForm,
        *,
        findings: Sequence[Any] = (),
        file_name: str = "",
        status: int = 200,
    ) -> HttpResponse:
        """The page."""
        rows = RegisterImport.objects.select_related("source", "asked_by", "stored_by")
        text = self.request.GET.get("q", "").strip()
        if text:
            rows = rows.filter(
                Q(file_name__icontains=text) | Q(source__name__icontains=text) | Q(digest__startswith=text)
            )
        page = paged(self.request, rows, 20)
        context = {
            "form": form,
            "sources": RegisterSource.objects.values_list("name", flat=True)[:200],
            "findings": findings[:50],
            "file_name": file_name,
            "page_obj": page,
            "runs": [{"run": run, "tone": STATE_TONES[State(run.state)]} for run in page.object_list],
            "q": text,
        }
        return self.page("desk/imports.html", context, status=status)


class ImportView(PageView):
    """One file: where it stands, and what can be done with it there."""

    acts = (Act.IMPORT_REGISTER,)

    def get(self, request: HttpRequest, run_id: UUID) -> HttpResponseBase:
        """Show it, or with ``as=csv`` or ``as=xlsx`` its report as a file."""
        run = self.run(run_id)
        wanted = request.GET.get("as")
        if wanted == "csv":
            return _csv_report(run)
        if wanted == "xlsx":
            return _xlsx_report(run)
        if run.state == State.SETTLING:
            return self.show_columns(run, SettleForm(run=run))
        if run.is_working:
            return self.page("desk/import_working.html", {"run": run, "is_lost": run.is_silent(self.now)})
        return self.show_report(run)

    def post(self, request: HttpRequest, run_id: UUID) -> HttpResponse:
        """Do what one of the buttons says."""
        run = self.run(run_id)
        do = request.POST.get("do", "")
        acts = {
            "look": self.look,
            "settle": self.settle,
            "unsettle": self.unsettle,
            "leave": self.choose,
            "take": self.choose,
            "store": self.store,
            "stop": self.stop,
            "drop": self.drop,
            "undo": self.undo,
        }
        try:
            if do in acts:
                return acts[do](run)
            self.warn("Nothing was done: the button is not known here.")
        except Conflict as problem:
            self.refused(problem)
        return redirect("desk:import-one", run.public_id)

    def run(self, run_id: UUID) -> RegisterImport:
        """The run of that id."""
        return self.found(
            RegisterImport.objects.select_related("source", "asked_by", "stored_by", "undone_by"), run_id
        )

    # --- settling ------------------------------------------------------------------------------------

    def look(self, run: RegisterImport) -> HttpResponse:
        """Open another sheet, or the same with another heading row, encoding or delimiter."""
        form = SettleForm(self.request.POST, run=run)
        form.is_valid()  # what else is wrong is said when the columns are settled
        try:
            runs.look_again(run, form.answers())
        except RegisterFileError as error:
            self.warn(" ".join(finding.text for finding in error.findings))
        return redirect("desk:import-one", run.public_id)

    def settle(self, run: RegisterImport) -> HttpResponse:
        """Take the columns and answers and have the file read."""
        form = SettleForm(self.request.POST, run=run)
        if not form.is_valid():
            return self.show_columns(run, form, status=400)
        runs.settle(run, columns=form.columns(), answers=form.answers(), by=self.person, now=self.now)
        return redirect("desk:import-one", run.public_id)

    def unsettle(self, run: RegisterImport) -> HttpResponse:
        """Back to the columns."""
        runs.unsettle(run)
        return redirect("desk:import-one", run.public_id)

    def show_columns(self, run: RegisterImport, form: SettleForm, status: int = 200) -> HttpResponse:
        """The page on which columns are given their fields."""
        same = RegisterImport.objects.filter(digest=run.digest, stored_at__isnull=False).exclude(pk=run.pk)
        context = {
            "run": run,
            "form": form,
            "looked": run.counts.get("looked", {}),
            "columns": column_lines(form),
            "same": same.select_related("stored_by").order_by("-stored_at").first(),
            "told": ImportFinding.objects.filter(run=run, severity="refused")[:20] if run.error else [],
        }
        return self.page("desk/import_columns.html", context, status=status)

    # --- choosing, storing ---------------------------------------------------------------------------

    def choose(self, run: RegisterImport) -> HttpResponse:
        """Leave rows out, or take them after all."""
        post = self.request.POST
        rows = [int(text) for text in post.getlist("row") if text.isdecimal() and len(text) < 10]
        leave_out = post.get("do") == "leave"
        code = post.get("code", "")
        if not rows and not code:
            self.warn("Tick the rows first.")
        else:
            count = runs.choose(run, leave_out=leave_out, rows=rows, code=code)
            what = "left out" if leave_out else "taken"
            self.told(f"{count} row{'s' if count != 1 else ''} will be {what}.")
        return redirect(self.request.get_full_path())

    def store(self, run: RegisterImport) -> HttpResponse:
        """Store what the report says."""
        version = self.request.POST.get("version", "")
        runs.confirm(run, version=int(version) if version.isdecimal() else 0, by=self.person, now=self.now)
        return redirect("desk:import-one", run.public_id)

    def stop(self, run: RegisterImport) -> HttpResponse:
        """Ask the worker to stop."""
        runs.stop(run)
        self.told("Asked to stop. Nothing of this step is kept.")
        return redirect("desk:import-one", run.public_id)

    def drop(self, run: RegisterImport) -> HttpResponse:
        """Put the file aside."""
        runs.drop(run)
        self.told("The file was put aside; nothing was imported.")
        return redirect("desk:import")

    def undo(self, run: RegisterImport) -> HttpResponse:
        """Take back what was stored."""
        runs.ask_undo(run, by=self.person)
        return redirect("desk:import-one", run.public_id)

    # --- the report ----------------------------------------------------------------------------------

    def show_report(self, run: RegisterImport) -> HttpResponse:
        """What was doubted and what each row comes to, one kind at a time."""
        counts = run.counts
        tabs = self.tabs(run)
        wanted = self.request.GET.get("show", "")
        show = wanted if wanted in {tab["key"] for tab in tabs} else tabs[0]["key"]
        text = self.request.GET.get("q", "").strip()
        code = self.request.GET.get("code", "")
        lines = ImportLine.objects.filter(run=run)
        context: dict[str, Any] = {
            "run": run,
            "counts": counts,
            "tabs": [tab | {"is_current": tab["key"] == show} for tab in tabs],
            "show": show,
            "q": text,
            "code": code,
            "can_choose": run.state == State.READ,
            "left_out": lines.filter(is_left_out=True).count() if run.state == State.READ else None,
        }
        context["to_store"] = (
            counts.get("added", 0) + counts.get("changed", 0) + counts.get("unchanged", 0)
            + counts.get("gone", 0) - (context["left_out"] or 0)
        )  # fmt: skip
        if show == "doubts":
            context |= self.doubts(run, text, code)
        elif show == "kept":
            context |= self.kept(run)
        else:
            rows = lines.filter(verdict=show).select_related("unit").order_by("row", "pk")
            if text:
                found = Q(serial__icontains=text) | Q(place__icontains=text) | Q(number__icontains=text)
                rows = rows.filter(found | Q(row=int(text)) if text.isdecimal() and len(text) < 9 else found)
            context["page_obj"] = paged(self.request, rows)
        return self.page("desk/import_report.html", context)

    def tabs(self, run: RegisterImport) -> list[dict[str, Any]]:
        """The kinds of lines, with their numbers."""
        counts = run.counts
        found = []
        if run.state != State.DROPPED:
            count = ImportFinding.objects.filter(run=run).count()
            found.append({"key": "doubts", "label": "Doubts and refusals", "count": count})
        words = {
            Verdict.ADDED: "New", Verdict.CHANGED: "Changed", Verdict.UNCHANGED: "Unchanged",
            Verdict.GONE: "Gone here", Verdict.MISSING: "Not in the file",
        }  # fmt: skip
        for verdict, label in words.items():
            count = counts.get(verdict.value, 0)
            if count or verdict in (Verdict.ADDED, Verdict.CHANGED, Verdict.MISSING):
                found.append({"key": verdict.value, "label": label, "count": count})
        if run.state == State.UNDONE and counts.get("undone", {}).get("kept"):
            found.append(
                {"key": "kept", "label": "Could not be taken back", "count": counts["undone"]["kept"]}
            )
        return found

    def doubts(self, run: RegisterImport, text: str, code: str) -> dict[str, Any]:
        """Findings grouped by code, and one page of them."""
        rows = ImportFinding.objects.filter(run=run)
        # What is said of a heading is said of no row.
        heading = run.counts.get("looked", {}).get("heading_row") or 0
        groups = [
            {
                "code": group["code"],
                "label": group["code"].replace("_", " ").capitalize(),
                "severity": SEVERITIES.get(group["severity"], group["severity"]),
                "tone": TONES.get(group["severity"], "none"),
                "count": group["n"],
                "is_current": group["code"] == code,
                "can_leave": group["severity"] == "doubt" and group["rows"] > 0,
            }
            for group in rows.order_by()
            .values("code", "severity")
            .annotate(n=Count("pk"), rows=Count("pk", filter=Q(row__gt=heading)))
            .order_by("-severity", "-n", "code")
        ]
        if code:
            rows = rows.filter(code=code)
        if text:
            found = Q(found__icontains=text) | Q(column__icontains=text) | Q(sentence__icontains=text)
            rows = rows.filter(found | Q(row=int(text)) if text.isdecimal() and len(text) < 9 else found)
        page: Page[ImportFinding] = paged(self.request, _refused_first(rows))
        out = set(
            ImportLine.objects.filter(
                run=run, is_left_out=True, row__in=[finding.row for finding in page.object_list]
            ).values_list("row", flat=True)
        )
        return {
            "groups": groups,
            "page_obj": page,
            "findings": [
                {
                    "finding": finding,
                    "tone": TONES.get(finding.severity, "none"),
                    "word": SEVERITIES.get(finding.severity, finding.severity),
                    "is_out": finding.row in out,
                    "can_pick": finding.severity == "doubt" and finding.row > heading,
                }
                for finding in page.object_list
            ],
        }

    def kept(self, run: RegisterImport) -> dict[str, Any]:
        """What an undo left, with the reason."""
        page = paged(self.request, run.effects.exclude(kept_because="").order_by("kind", "pk"))
        rows = list(page.object_list)
        units = Unit.objects.in_bulk([e.target for e in rows if e.kind == ImportEffect.Kind.UNIT])
        return {
            "page_obj": page,
            "kept": [
                {
                    "unit": units.get(e.target) if e.kind == ImportEffect.Kind.UNIT else None,
                    "what": f"{e.get_kind_display()} {_name_of(e)}".strip(),
                    "why": e.kept_because,
                }
                for e in rows
            ],
        }


def _name_of(effect: ImportEffect) -> str:
    """What a row of the register was called when it came in."""
    return next((str(effect.after[key]) for key in ("code", "name", "table") if key in effect.after), "")


def _refused_first(rows: QuerySet[ImportFinding]) -> QuerySet[ImportFinding]:
    # "skipped", "refused", "doubt": the alphabet has them backwards.
    return rows.order_by("-severity", "row", "pk")


# --- the report as a file ---------------------------------------------------------------------------


def _finding_cells(run: RegisterImport) -> Iterator[tuple[Any, ...]]:
    rows = ImportFinding.objects.filter(run=run).order_by("row", "pk")
    for f in rows.iterator(chunk_size=5000):
        yield (
            f.row or "", f.column, f.letter, SEVERITIES.get(f.severity, f.severity).lower(), f.code, f.found,
            f.becomes, f.sentence, f.remedy,
        )  # fmt: skip


def _line_cells(run: RegisterImport) -> Iterator[tuple[Any, ...]]:
    words = dict(Verdict.choices)
    for line in ImportLine.objects.filter(run=run).order_by("row", "pk").iterator(chunk_size=5000):
        yield (
            line.row or "",
            words[line.verdict],
            line.number,
            line.serial,
            line.place,
            "yes" if line.is_left_out else "",
            "; ".join(f"{what}: {old} → {new}" for what, old, new in line.changes),
            "; ".join(f"{heading}: {text}" for heading, text in line.extras),
        )


def _csv_report(run: RegisterImport) -> HttpResponseBase:
    response = StreamingHttpResponse(
        csv_lines(REPORT_HEADINGS, _finding_cells(run)), content_type="text/csv; charset=utf-8"
    )
    response["Content-Disposition"] = 'attachment; filename="register-report.csv"'
    return response


def _xlsx_report(run: RegisterImport) -> HttpResponseBase:
    book = Workbook(write_only=True)
    for name, headings, rows in (
        ("doubts and refusals", REPORT_HEADINGS, _finding_cells(run)),
        ("rows", ROW_HEADINGS, _line_cells(run)),
    ):
        sheet = book.create_sheet(name)
        sheet.append(list(headings))
        for row in rows:
            sheet.append([cell if isinstance(cell, int) else _cell(cell) for cell in row])
    file = tempfile.TemporaryFile()  # noqa: SIM115 - the response closes it
    book.save(file)
    file.seek(0)
    return FileResponse(file, as_attachment=True, filename="register-report.xlsx")


def _cell(value: Any) -> str:
    return ILLEGAL_CHARACTERS_RE.sub(" ", plain_cell(value))[:32_000]
