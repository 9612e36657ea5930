"""Reads settings from the environment and refuses what it does not understand.

A mistyped switch must stop the start with the variable's name, not quietly mean "no". Every reader
takes an empty value for an absent one, since service files often leave a name with nothing behind it.
"""

from __future__ import annotations

import hashlib
import os
import secrets
import stat
from collections.abc import Mapping
from pathlib import Path
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

from django.core.exceptions import ImproperlyConfigured

_YES = frozenset({"1", "yes", "true", "on"})
_NO = frozenset({"0", "no", "false", "off"})

# The kernel's limit for the path of a unix socket is 107 bytes on Linux and 103 on macOS.
SOCKET_PATH_LIMIT = 100
SECRET_LENGTH_MIN = 32


def env_text(name: str, default: str = "", *, environ: Mapping[str, str] = os.environ) -> str:
    """The text of ``name``, without surrounding blanks."""
    return environ.get(name, "").strip() or default


def env_bool(name: str, default: bool, *, environ: Mapping[str, str] = os.environ) -> bool:
    """Whether ``name`` is switched on: 1/yes/true/on or 0/no/false/off, in any case."""
    text = env_text(name, environ=environ)
    if not text:
        return default
    if text.lower() in _YES:
        return True
    if text.lower() in _NO:
        return False
    raise ImproperlyConfigured(
        f"{name}={text!r} is neither yes nor no. Use 1, yes, true, on, 0, no, false or off."
    )


def env_int(
    name: str, default: int, *, lowest: int, highest: int, environ: Mapping[str, str] = os.environ
) -> int:
    """The whole number of ``name``, which must lie from ``lowest`` to ``highest``, both included."""
    text = env_text(name, environ=environ)
    if not text:
        return default
    if not (text.isascii() and text.isdigit() and lowest <= int(text) <= highest):
        raise ImproperlyConfigured(f"{name}={text!r} is not a whole number from {lowest} to {highest}.")
    return int(text)


def env_choice(
    name: str, default: str, *, choices: tuple[str, ...], environ: Mapping[str, str] = os.environ
) -> str:
    """The one of ``choices`` that ``name`` holds, in any case."""
    text = env_text(name, default, environ=environ)
    for choice in choices:
        if choice.lower() == text.lower():
            return choice
    raise ImproperlyConfigured(f"{name}={text!r} is not one of {', '.join(choices)}.")


def env_list(
    name: str, default: tuple[str, ...] = (), *, environ: Mapping[str, str] = os.environ
) -> list[str]:
    """The comma-separated entries of ``name``."""
    entries = [entry.strip() for entry in env_text(name, environ=environ).split(",")]
    return [entry for entry in entries if entry] or list(default)


def env_path(name: str, default: Path, *, base: Path, environ: Mapping[str, str] = os.environ) -> Path:
    """The absolute path of ``name``; a relative one counts from ``base``, wherever one stands."""
    text = env_text(name, environ=environ)
    if not text:
        return default
    if "\0" in text:
        raise ImproperlyConfigured(f"{name} holds a zero byte and is no path.")
    return (base / Path(text).expanduser()).resolve()


def env_url(
    name: str, default: str, *, schemes: tuple[str, ...], environ: Mapping[str, str] = os.environ
) -> str:
    """The address of ``name`` without a closing slash; its scheme must be one of ``schemes``."""
    text = env_text(name, environ=environ) or default
    if not text:
        return ""
    parts = urlsplit(text)
    if parts.scheme not in schemes or not (parts.netloc or parts.path):
        # The value may hold a password, so it is not repeated.
        raise ImproperlyConfigured(
            f"{name} must be an address that starts with {' or '.join(f'{s}://' for s in schemes)}."
        )
    return text.rstrip("/")


def env_zone(name: str, default: str, *, environ: Mapping[str, str] = os.environ) -> str:
    """The IANA name of a time zone, such as Asia/Kolkata."""
    text = env_text(name, default, environ=environ)
    try:
        ZoneInfo(text)
    except (KeyError, OSError, ValueError) as unknown:
        raise ImproperlyConfigured(
            f"{name}={text!r} is no time zone. Use a name such as Asia/Kolkata."
        ) from unknown
    return text


def env_secret(name: str, *, keep_in: Path | None, environ: Mapping[str, str] = os.environ) -> str:
    """The secret of ``name``; without one, the secret kept in the file ``keep_in``, made on first use.

    The file is readable by its owner alone. With ``keep_in`` None there is no file to fall back to,
    because several machines must share the secret, and an absent one is refused.
    """
    text = env_text(name, environ=environ)
    if text:
        if len(text) < SECRET_LENGTH_MIN:
            raise ImproperlyConfigured(
                f"{name} is shorter than {SECRET_LENGTH_MIN} characters; make a longer one."
            )
        return text
    if keep_in is None:
        raise ImproperlyConfigured(
            f"{name} is not set. With DATABASE_URL several processes and machines must share one secret: "
            f'set {name} to what `python -c "import secrets; print(secrets.token_urlsafe(50))"` prints.'
        )
    return _kept_secret(name, keep_in)


def _kept_secret(name: str, path: Path) -> str:
    path.parent.mkdir(parents=True, exist_ok=True)
    if not path.exists():
        # Written aside and linked into place: of several processes that start at once one wins,
        # and none reads a half-written secret.
        aside = path.with_name(f"{path.name}.{os.getpid()}.{secrets.token_hex(4)}")
        descriptor = os.open(aside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        try:
            with os.fdopen(descriptor, "w", encoding="ascii") as file:
                file.write(secrets.token_urlsafe(50))
                file.flush()
                os.fsync(file.fileno())
            os.link(aside, path)
        except FileExistsError:
            pass
        finally:
            aside.unlink()
    text = path.read_text(encoding="ascii").strip()
    if len(text) < SECRET_LENGTH_MIN:
        raise ImproperlyConfigured(
            f"{path} holds no usable secret. Set {name}, or delete the file to have a new one made "
            "(everybody must sign in again)."
        )
    return text


def socket_path(data_dir: Path) -> Path:
    """Where the broker's unix socket of ``data_dir`` lies.

    Inside the data folder, unless that path is too long for a socket; then in a folder of this user
    under /tmp, by a name that follows from the data folder, so that every process of one installation
    finds the same socket.
    """
    near = data_dir / "run" / "broker.sock"
    if len(os.fsencode(near)) <= SOCKET_PATH_LIMIT:
        return near
    digest = hashlib.sha256(os.fsencode(data_dir)).hexdigest()[:16]
    # Not TMPDIR or XDG_RUNTIME_DIR: a login shell and a service of one user may differ in them.
    return Path("/tmp") / f"servicedesk-{os.getuid()}" / f"{digest}.sock"  # noqa: S108 - own_private_dir guards


def own_private_dir(path: Path) -> None:
    """Make the folder ``path`` for this user alone, or refuse one that somebody else may write to."""
    path.mkdir(mode=0o700, parents=True, exist_ok=True)
    found = path.lstat()
    if not stat.S_ISDIR(found.st_mode) or found.st_uid != os.getuid() or found.st_mode & 0o022:
        raise ImproperlyConfigured(
            f"{path} belongs to another user or is open to others. Remove it and start again."
        )


def tile_origins(address: str) -> list[str]:
    """The origin of a map tile address, for the content policy; none where no address is set.

    ``{s}`` in front of the host stands for any sub-domain.
    """
    parts = urlsplit(address.replace("{s}", "*"))
    return [f"{parts.scheme}://{parts.netloc}"] if parts.scheme in ("http", "https") and parts.netloc else []
