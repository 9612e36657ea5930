"""One job card: its steps in order, the one to be done now, and what was stated before."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from uuid import UUID

from django import forms
from django.core.exceptions import ValidationError
from django.db import transaction
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse

from inventory.errors import Conflict
from inventory.workshop import booking, house, services
from inventory.workshop.models import CardEntry, HouseStay, JobCard
from inventory.workshop.queries import (
    TEST_STEPS,
    CardBoard,
    StepLine,
    board_of,
    cards_for,
    current_values,
    entries_of,
    instruments_in_use,
    plate,
    today_of,
)
from inventory.workshop.services import Unlikely
from inventory.workshop.steps import step_book
from inventory.workshop.warranty import warranty_of
from schedules.visits import workshop
from servicedesk.access import Act
from servicedesk.bench.forms import (
    BackForm,
    ChangeForm,
    ReasonForm,
    SendForm,
    StepForm,
    TakeBackForm,
    habit_for,
)
from servicedesk.bench.words import (
    STATE_TONES,
    VERDICT_TONES,
    photo_fields,
    photos_of,
    said_of,
    step_title,
    work_words,
)
from servicedesk.pages import PageView, place_errors
from servicedesk.photos import keep_photos


class CardPage(PageView):
    """Base of the pages about one card."""

    acts = (Act.SEE_BENCH,)

    def card_or_404(self, card_id: UUID) -> JobCard:
        """The card of that id in scope."""
        return self.found(cards_for(self.scope), card_id)

    def crumbs(self, card: JobCard | None = None) -> list[dict[str, str]]:
        """The way back up."""
        found = [{"label": "Workshop", "url": reverse("bench:home")}]
        if card is not None:
            found.append(
                {"label": f"Card {card.number}", "url": reverse("bench:card", args=[card.public_id])}
            )
        return found

    def board(self, card: JobCard) -> CardBoard:
        """The steps of ``card`` as they stand."""
        return board_of(card, workshop.charging_of(card.unit, self.now))

    def form_for(
        self,
        card: JobCard,
        line: StepLine,
        data: Any = None,
        before: Mapping[str, Any] | None = None,
        files: Any = None,
    ) -> StepForm:
        """The form of one step."""
        kind = plate(card.unit).kind
        entered = list(
            CardEntry.objects.filter(card=card).order_by("sequence").values_list("values", flat=True)
        )
        return StepForm(
            data,
            specs=[
                spec
                for spec in line.step.asked(kind)
                # A photo is kept with premises; a unit of our own has none.
                if spec.kind != "photos" or card.site_id is not None
            ],
            habit=habit_for(card.site.country if card.site else "", entered),
            instruments=instruments_in_use(),
            goods=self.goods(card, line),
            today=today_of(card, self.now),
            version=card.version,
            before=before,
            files=files,
        )

    def goods(self, card: JobCard, line: StepLine) -> dict[str, list[tuple[str, str]]]:
        """What the step may take from stock: lots and drums to choose from."""
        store, today = services.workshop_store(), today_of(card, self.now)
        found: dict[str, list[tuple[str, str]]] = {}
        for spec in line.step.fields:
            if spec.kind == "lot":
                found[spec.lot_of] = booking.lots_for(card, spec.lot_of, store, today)
            elif spec.kind == "goods":
                found[spec.lot_of] = booking.goods_for(spec.lot_of, store)
            elif spec.kind == "drum":
                found["drum"] = booking.drums_for(card)
        return found

    def back_to(self, card: JobCard) -> HttpResponse:
        """Back to the card."""
        return redirect("bench:card", card_id=card.public_id)


class CardView(CardPage):
    """The card, its steps and its history."""

    def get(self, request: HttpRequest, card_id: UUID) -> HttpResponse:
        """Show the step to be done now, or the one that the address names."""
        card = self.card_or_404(card_id)
        board = self.board(card)
        named = request.GET.get("step", "")
        line = board.line(named) if named else board.next_line
        form = None
        if line is not None and self._may_state(board, line):
            # Figures that did not hold are read anew, not sent again.
            again = line.is_done and line.last is not None and "house" not in line.last.values
            form = self.form_for(card, line, before=line.last.values if again and line.last else None)
        return self.show(board, line, form)

    def post(self, request: HttpRequest, card_id: UUID) -> HttpResponse:
        """State one step."""
        self.demand(Act.WORK_BENCH)
        card = self.card_or_404(card_id)
        board = self.board(card)
        line = board.line(request.POST.get("step", ""))
        if line is None:
            raise Http404
        form = self.form_for(card, line, data=request.POST, files=request.FILES)
        if not form.is_valid():
            return self.show(board, line, form, status=400)
        given = form.cleaned_data
        try:
            # Together: no photo stays behind of a step that was refused.
            with transaction.atomic():
                entry = workshop.take_step(
                    card,
                    line.step.code,
                    {**form.raw(), **self.kept(card, form)},
                    by=self.person,
                    now=self.now,
                    version=given["version"],
                    confirmed=given["confirmed"],
                    remarks=given["remarks"],
                    client_ref=given["client_ref"],
                )
        except Unlikely as question:
            form.ask(question)
            return self.show(board, line, form, status=400)
        except ValidationError as refused:
            form.place(refused)
            return self.show(board, line, form, status=400)
        except Conflict as conflict:
            self.refused(conflict)
            return self.back_to(card)
        self._tell(entry)
        return self.back_to(card)

    def kept(self, card: JobCard, form: StepForm) -> dict[str, list[str]]:
        """The pictures of the form, kept with the site of the card: their ids by field."""
        if card.site_id is None:
            return {}
        ref = form.cleaned_data["client_ref"]
        return {
            code: [
                str(photo)
                for photo in keep_photos(
                    pictures, site_id=card.site_id, ref=ref, by=self.person, now=self.now
                )
            ]
            for code, pictures in form.pictures.items()
        }

    def _tell(self, entry: CardEntry) -> None:
        title = step_title(entry.step)
        if entry.verdict == CardEntry.Verdict.OUTSIDE:
            self.warn(f"{title}: outside the limit. {' '.join(entry.sentences)}")
        elif entry.verdict == CardEntry.Verdict.UNJUDGED:
            self.warn(f"{title}: stored, but not judged. {' '.join([*entry.sentences, *entry.flags])}")
        else:
            self.told(f"{title}: stored.")

    def _may_state(self, board: CardBoard, line: StepLine) -> bool:
        if not self.may(Act.WORK_BENCH) or board.card.state == JobCard.State.AT_TEST_HOUSE:
            return False
        return (line.is_next or line.is_done) and board.card.is_open and self._fits_state(board, line)

    @staticmethod
    def _fits_state(board: CardBoard, line: StepLine) -> bool:
        if board.card.state in JobCard.WORKABLE:
            return True
        return line.is_next

    def show(
        self, board: CardBoard, line: StepLine | None, form: StepForm | None, status: int = 200
    ) -> HttpResponse:
        """Render the card."""
        card = board.card
        entries = [entry for one in board.lines for entry in one.entries]
        entries += [e for e in entries_of(card) if e.pk not in {x.pk for x in entries}]
        kind = plate(card.unit).kind
        stay = HouseStay.objects.filter(card=card, returned_on__isnull=True).first()
        stages: list[dict[str, Any]] = []
        for one in board.lines:
            if not stages or stages[-1]["name"] != one.step.stage:
                stages.append({"name": one.step.stage, "lines": []})
            last = one.last
            tone = VERDICT_TONES.get(last.verdict, "") if last is not None else ""
            stages[-1]["lines"].append(
                {"line": one, "tone": tone, "may_open": one.is_next or one.is_done or last is not None}
            )
        context = {
            "crumbs": self.crumbs(),
            "card": card,
            "board": board,
            "line": line,
            "form": form,
            "step_number": board.lines.index(line) + 1 if line in board.lines else None,
            "stages": stages,
            "step_cautions": step_book().cautions_at(line.step, kind) if line is not None else [],
            "history": [
                {
                    "entry": e,
                    "title": step_title(e.step),
                    "said": said_of(e),
                    "tone": VERDICT_TONES[e.verdict],
                    "photos": photos_of(e),
                }
                for e in sorted(entries, key=lambda e: -e.sequence)
            ],
            "works": work_words(card.works),
            "state_tone": STATE_TONES[JobCard.State(card.state)],
            "days_left": (card.return_by_on - today_of(card, self.now)).days if card.return_by_on else None,
            "stay": stay,
            "stays": list(card.stays.filter(returned_on__isnull=False)),
            "warranty": warranty_of(entries, current_values()),
            "charging_refusal": _why_not_charged(board),
            "may_send": line is not None
            and line.step.code in TEST_STEPS
            and line.is_next
            and stay is None
            and self.may(Act.WORK_BENCH),
            "may_work": self.may(Act.WORK_BENCH),
            "is_workable": card.state in JobCard.WORKABLE,
            "may_correct": self.may(Act.CORRECT_RECORDS)
            and card.state not in (*JobCard.WORKABLE, JobCard.State.AT_TEST_HOUSE),
        }
        return self.page("bench/card.html", context, status=status)


def _why_not_charged(board: CardBoard) -> str:
    """Why neither agent nor gas may go in as things stand; empty when they may."""
    if board.card.unit.model.is_refillable is False:
        return "It is not made to be filled again."
    if board.must_condemn and not board.charging.has_ended:
        return "What was found ends its life as a service unit: condemn it, or correct the finding."
    if board.charging.has_ended or board.must_test:
        return board.charging.sentence or "A pressure test is asked for and has not been passed yet."
    return ""


class FormPage(CardPage):
    """A page with one form about a card."""

    acts = (Act.WORK_BENCH,)
    template = "bench/form.html"
    title = ""
    lead = ""
    button = ""
    is_danger = False

    def make_form(self, card: JobCard, data: Any = None, files: Any = None) -> forms.Form:
        """The form, empty or filled."""
        raise NotImplementedError

    def act(self, card: JobCard, given: Mapping[str, Any]) -> str:
        """Do it; return what to tell."""
        raise NotImplementedError

    def get(self, request: HttpRequest, card_id: UUID) -> HttpResponse:
        """Show the form."""
        card = self.card_or_404(card_id)
        return self._show(card, self.make_form(card))

    def post(self, request: HttpRequest, card_id: UUID) -> HttpResponse:
        """Do it."""
        card = self.card_or_404(card_id)
        form = self.make_form(card, request.POST, request.FILES)
        if form.is_valid():
            try:
                told = self.act(card, form.cleaned_data)
            except ValidationError as refused:
                place_errors(form, refused)
            except Conflict as conflict:
                self.refused(conflict)
                return self.back_to(card)
            else:
                self.told(told)
                return self.back_to(card)
        return self._show(card, form, status=400)

    def _show(self, card: JobCard, form: forms.Form, status: int = 200) -> HttpResponse:
        context = {
            "crumbs": self.crumbs(card),
            "card": card,
            "form": form,
            "title": self.title,
            "lead": self.lead,
            "button": self.button,
            "is_danger": self.is_danger,
        }
        return self.page(self.template, context, status=status)


class ChangeCardView(FormPage):
    """What the card is for, the promised day, the remarks."""

    title = "Change the card"
    lead = "What was stated on it stays."
    button = "Save"

    def make_form(self, card: JobCard, data: Any = None, files: Any = None) -> forms.Form:
        """The form."""
        return ChangeForm(
            data,
            initial={
                "version": card.version,
                "works": card.works,
                "promised_on": card.promised_on,
                "remarks": card.remarks,
            },
        )

    def act(self, card: JobCard, given: Mapping[str, Any]) -> str:
        """Change it."""
        services.change_card(
            card,
            version=given["version"],
            works=given["works"],
            promised_on=given["promised_on"],
            remarks=given["remarks"],
        )
        return f"Card {card.number} changed."


class WithdrawCardView(FormPage):
    """Withdrawing a card that was opened by mistake."""

    title = "Withdraw the card"
    lead = "Only while nothing was stated on it. The unit stays in the workshop and can be received again."
    button = "Withdraw the card"
    is_danger = True

    def make_form(self, card: JobCard, data: Any = None, files: Any = None) -> forms.Form:
        """The form."""
        return ReasonForm(data, initial={"version": card.version})

    def act(self, card: JobCard, given: Mapping[str, Any]) -> str:
        """Withdraw it."""
        services.withdraw_card(card, version=given["version"], reason=given["reason"], now=self.now)
        return f"Card {card.number} withdrawn."


class TakeBackView(FormPage):
    """Taking a released unit back to the bench."""

    title = "Take back to the bench"
    lead = (
        "Something is wrong with it after all. This card ends as it was released; the unit gets a new card "
        "and goes out only when that one is released."
    )
    button = "Open a new card"

    def make_form(self, card: JobCard, data: Any = None, files: Any = None) -> forms.Form:
        """The form."""
        return TakeBackForm(data, initial={"version": card.version})

    def act(self, card: JobCard, given: Mapping[str, Any]) -> str:
        """Take it back."""
        new = workshop.take_back(
            card,
            version=given["version"],
            reason=given["reason"],
            why=given["why"],
            by=self.person,
            now=self.now,
        )
        return (
            f"Card {card.number} ended; unit {card.unit.number} is on the bench again with card {new.number}."
        )


class SendView(FormPage):
    """Sending the shell to an outside test house."""

    title = "Send to a test house"
    lead = "The shell travels empty, with its valve out. It counts as tested when the certificate is filed."
    button = "Send it"

    def make_form(self, card: JobCard, data: Any = None, files: Any = None) -> forms.Form:
        """The form."""
        due = house.default_due_back(today_of(card, self.now))
        last = HouseStay.objects.order_by("-pk").first()
        return SendForm(
            data,
            initial={"version": card.version, "due_back_on": due, "house": last.house if last else ""},
        )

    def act(self, card: JobCard, given: Mapping[str, Any]) -> str:
        """Send it."""
        stay = workshop.send_to_house(
            card,
            name=given["house"],
            due_back_on=given["due_back_on"],
            version=given["version"],
            by=self.person,
            now=self.now,
        )
        return f"Sent to {stay.house}, due back on {stay.due_back_on:%-d %b %Y}."


class BackView(FormPage):
    """Taking the shell back with its certificate."""

    title = "Back from the test house"
    lead = "The test counts with the certificate filed and the mark read from the shell."
    button = "Take it back"

    def make_form(self, card: JobCard, data: Any = None, files: Any = None) -> forms.Form:
        """The form."""
        return BackForm(data, files, initial={"version": card.version})

    def act(self, card: JobCard, given: Mapping[str, Any]) -> str:
        """Take it back."""
        upload = given["file"]
        if upload.size > house.MAX_FILE_BYTES:
            raise ValidationError({"file": "The file is larger than 10 MB. Scan it with less detail."})
        entry = workshop.take_back_from_house(
            card,
            house.HouseResult(
                passed=given["passed"] == "yes",
                done_on=given["done_on"],
                method=given["method"],
                test_pressure=given["test_pressure"],
                certificate_number=given["certificate_number"],
                mark_read=given["mark_read"],
                file=upload.read(),
            ),
            version=given["version"],
            by=self.person,
            now=self.now,
        )
        return " ".join(entry.sentences)


class CorrectView(CardPage):
    """Correcting one entry of a released card."""

    acts = (Act.CORRECT_RECORDS,)

    def get(self, request: HttpRequest, card_id: UUID, entry_ref: UUID) -> HttpResponse:
        """Show the entry as it stands."""
        card, entry = self._found(card_id, entry_ref)
        return self._show(card, entry, self._form(card, entry), ReasonForm(initial={"version": card.version}))

    def post(self, request: HttpRequest, card_id: UUID, entry_ref: UUID) -> HttpResponse:
        """Add the correcting entry."""
        card, entry = self._found(card_id, entry_ref)
        form, why = self._form(card, entry, request.POST), ReasonForm(request.POST)
        if form.is_valid() and why.is_valid():
            try:
                photos = {code: entry.values[code] for code in photo_fields(entry) if code in entry.values}
                new = workshop.correct(
                    entry,
                    {**form.raw(), **photos},
                    reason=why.cleaned_data["reason"],
                    by=self.person,
                    now=self.now,
                    version=form.cleaned_data["version"],
                    confirmed=form.cleaned_data["confirmed"],
                )
            except Unlikely as question:
                form.ask(question)
            except ValidationError as refused:
                form.place(refused)
            except Conflict as conflict:
                self.refused(conflict)
                return self.back_to(card)
            else:
                self.told(f"{step_title(new.step)}: corrected; {new.get_verdict_display().lower()}.")
                return self.back_to(card)
        return self._show(card, entry, form, why, status=400)

    def _found(self, card_id: UUID, entry_ref: UUID) -> tuple[JobCard, CardEntry]:
        card = self.card_or_404(card_id)
        entry = CardEntry.objects.filter(card=card, client_ref=entry_ref).select_related("card").first()
        if entry is None:
            raise Http404
        entry.card = card
        return card, entry

    def _form(self, card: JobCard, entry: CardEntry, data: Any = None) -> StepForm:
        return self.form_for(card, StepLine(step_book().step(entry.step)), data, before=entry.values)

    def _show(
        self, card: JobCard, entry: CardEntry, form: StepForm, why: ReasonForm, status: int = 200
    ) -> HttpResponse:
        context = {
            "crumbs": self.crumbs(card),
            "card": card,
            "entry": entry,
            "form": form,
            "why": why,
            "title": step_title(entry.step),
        }
        return self.page("bench/correct.html", context, status=status)
