"""Addresses under /bench/."""

from __future__ import annotations

from django.urls import path

from servicedesk.bench import cards, custody, papers, queue, stock, upkeep, waiting

app_name = "bench"

urlpatterns = [
    path("", queue.QueueView.as_view(), name="home"),
    path("waiting/", waiting.WaitingView.as_view(), name="waiting"),
    path("receive/", queue.ReceiveView.as_view(), name="receive"),
    path("receive/<uuid:unit_id>/", queue.ReceiveUnitView.as_view(), name="receive-unit"),
    path("cards/<uuid:card_id>/", cards.CardView.as_view(), name="card"),
    path("cards/<uuid:card_id>/change/", cards.ChangeCardView.as_view(), name="change-card"),
    path("cards/<uuid:card_id>/withdraw/", cards.WithdrawCardView.as_view(), name="withdraw-card"),
    path("cards/<uuid:card_id>/take-back/", cards.TakeBackView.as_view(), name="take-back"),
    path("cards/<uuid:card_id>/send/", cards.SendView.as_view(), name="send"),
    path("cards/<uuid:card_id>/back/", cards.BackView.as_view(), name="back"),
    path("cards/<uuid:card_id>/card.pdf", papers.CardPaperView.as_view(), name="card-pdf"),
    path(
        "cards/<uuid:card_id>/entries/<uuid:entry_ref>/correct/",
        cards.CorrectView.as_view(),
        name="correct-entry",
    ),
    path("stays/<uuid:stay_id>/certificate/", papers.StayFileView.as_view(), name="stay-file"),
    path("claims/", queue.ClaimsView.as_view(), name="claims"),
    path("tests/", papers.TestRegisterView.as_view(), name="tests"),
    path("tests/register.pdf", papers.TestRegisterPaperView.as_view(), name="tests-pdf"),
    path("tests/register.csv", papers.TestRegisterFileView.as_view(), name="tests-csv"),
    path("tests/<uuid:entry_ref>/certificate.pdf", papers.TestPaperView.as_view(), name="test-pdf"),
    path("instruments/", upkeep.InstrumentsView.as_view(), name="instruments"),
    path("instruments/<uuid:instrument_id>/", upkeep.InstrumentView.as_view(), name="instrument"),
    path("goods/", stock.StockView.as_view(), name="stock"),
    path("goods/<uuid:item_id>/", stock.ItemView.as_view(), name="item"),
    path("goods/lots/", stock.LotsView.as_view(), name="lots"),
    path("goods/lots/<uuid:lot_id>/", stock.LotView.as_view(), name="lot"),
    path("goods/drums/", stock.DrumsView.as_view(), name="drums"),
    path("loans/places/", custody.PlacesView.as_view(), name="places"),
    path("loans/places/<uuid:store_id>/", custody.PlaceView.as_view(), name="place"),
    path("loans/", custody.LoansView.as_view(), name="loans"),
    path("values/", upkeep.ValuesView.as_view(), name="values"),
]
