"""How static files are stored for serving: under names that change with their content."""

from __future__ import annotations

from typing import Any

from whitenoise.compress import Compressor
from whitenoise.storage import CompressedManifestStaticFilesStorage


class HashedStaticFiles(CompressedManifestStaticFilesStorage):
    """Names with a digest, so browsers may keep them for ever, also for ES modules that import each other.

    Compressed by gzip alone: brotli saves a few kilobytes more and takes many times longer at each start.
    """

    support_js_module_import_aggregation = True

    def create_compressor(self, **kwargs: Any) -> Compressor:
        return super().create_compressor(**{**kwargs, "use_brotli": False})
