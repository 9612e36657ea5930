"""The search box of the frame: its page, and what it offers while one types."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse, JsonResponse

from inventory.search.text import LEAST_LETTERS, squeezed, words_of
from servicedesk.access import Act
from servicedesk.finder import find
from servicedesk.pages import PageView

MOST_LETTERS = 120
ON_PAGE = 20
OFFERED = 4


class FindEverythingView(PageView):
    """What holds every word of ``?q=``, grouped by kind."""

    acts = (Act.SEE_REGISTER,)

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show it."""
        text = _asked(request)
        groups = find(self.person, text, limit=ON_PAGE)
        context = {
            "find_text": text,
            "groups": groups,
            "is_too_short": bool(text) and _is_too_short(text),
            "number": sum(len(group.hits) for group in groups),
            "is_more": any(group.is_more for group in groups),
        }
        return self.page("find.html", context)


class OffersView(PageView):
    """The first few of each kind, for the box to offer."""

    acts = (Act.SEE_REGISTER,)

    def get(self, request: HttpRequest) -> JsonResponse:
        """As ``{"groups": [{"label": "Units", "hits": [{"title", "detail", "url"}]}]}``."""
        groups = find(self.person, _asked(request), limit=OFFERED)
        return JsonResponse(
            {
                "groups": [
                    {
                        "label": group.label,
                        "is_more": group.is_more,
                        "hits": [
                            {"title": hit.title, "detail": hit.detail, "url": hit.url}
                            for hit in group.hits
                            if hit.url
                        ],
                    }
                    for group in groups
                ]
            }
        )


def _asked(request: HttpRequest) -> str:
    return request.GET.get("q", "").strip()[:MOST_LETTERS]


def _is_too_short(text: str) -> bool:
    return not squeezed(text) and not any(len(word) >= LEAST_LETTERS for word in words_of(text))
