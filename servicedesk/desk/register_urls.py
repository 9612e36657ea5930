"""Addresses of the pages that correct the register, merge what is one, and follow recalls."""

from __future__ import annotations

from django.urls import path

from servicedesk.desk import alike, places, recalls, unit_facts

urlpatterns = [
    path("units/<uuid:unit_id>/facts/", unit_facts.UnitFactsView.as_view(), name="unit-facts"),
    path("units/<uuid:unit_id>/apart/", alike.UndoMergeView.as_view(), name="unit-apart"),
    path("kinds/<uuid:model_id>/facts/", unit_facts.KindFactsView.as_view(), name="kind-facts"),
    path("alike/", alike.AlikeView.as_view(), name="alike"),
    path("alike/find/", alike.FindPairView.as_view(), name="pair-find"),
    path("alike/<uuid:first_id>/<uuid:second_id>/", alike.PairView.as_view(), name="pair"),
    path("owners/new/", places.NewOwnerView.as_view(), name="owner-new"),
    path("owners/<uuid:owner_id>/", places.OwnerView.as_view(), name="owner"),
    path("owners/<uuid:owner_id>/facts/", places.OwnerFactsView.as_view(), name="owner-facts"),
    path("owners/<uuid:owner_id>/merge/", places.MergeOwnerView.as_view(), name="owner-merge"),
    path("owners/<uuid:owner_id>/sites/new/", places.NewSiteView.as_view(), name="site-new"),
    path("sites/<uuid:site_id>/facts/", places.SiteFactsView.as_view(), name="site-facts"),
    path("sites/<uuid:site_id>/owner/", places.OwnerChangeView.as_view(), name="site-owner"),
    path("sites/<uuid:site_id>/merge/", places.MergeSiteView.as_view(), name="site-merge"),
    path("sites/<uuid:site_id>/split/", places.SplitSiteView.as_view(), name="site-split"),
    path("sites/<uuid:site_id>/places/", places.PlacesView.as_view(), name="places"),
    path("sites/<uuid:site_id>/places/new/", places.NewPlaceView.as_view(), name="place-new"),
    path("sites/<uuid:site_id>/units/new/", unit_facts.NewUnitView.as_view(), name="unit-new"),
    path("places/<uuid:place_id>/", places.PlaceFactsView.as_view(), name="place-facts"),
    path("recalls/", recalls.RecallsView.as_view(), name="recalls"),
    path("recalls/new/", recalls.NewRecallView.as_view(), name="recall-new"),
    path("recalls/<uuid:recall_id>/", recalls.RecallView.as_view(), name="recall"),
]
