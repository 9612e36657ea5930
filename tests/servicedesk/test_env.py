"""Readers of the environment understand what they should and refuse the rest by name."""

from __future__ import annotations

import os
import stat
import subprocess
import sys
from pathlib import Path

import pytest
from django.core.exceptions import ImproperlyConfigured

from servicedesk import env

ROOT = Path(__file__).resolve().parents[2]


@pytest.mark.parametrize(
    ("text", "expected"),
    [("1", True), ("Yes", True), ("TRUE", True), (" on ", True), ("0", False), ("no", False), ("Off", False)],
)
def test_bool_reads_the_usual_words(text: str, expected: bool) -> None:
    assert env.env_bool("DEBUG", not expected, environ={"DEBUG": text}) is expected


@pytest.mark.parametrize("environ", [{}, {"DEBUG": ""}, {"DEBUG": "  "}])
@pytest.mark.parametrize("default", [True, False])
def test_bool_takes_an_empty_value_for_an_absent_one(environ: dict[str, str], default: bool) -> None:
    assert env.env_bool("DEBUG", default, environ=environ) is default


@pytest.mark.parametrize("text", ["maybe", "2", "y", "ja", "none"])
def test_bool_refuses_a_word_it_does_not_know(text: str) -> None:
    with pytest.raises(ImproperlyConfigured, match=r"^DEBUG='.*' is neither yes nor no\. Use 1, yes"):
        env.env_bool("DEBUG", False, environ={"DEBUG": text})


@pytest.mark.parametrize(("text", "expected"), [("1", 1), ("65535", 65535), ("8000", 8000), ("", 8000)])
def test_int_reads_whole_numbers_within_its_bounds(text: str, expected: int) -> None:
    assert env.env_int("PORT", 8000, lowest=1, highest=65535, environ={"PORT": text}) == expected


@pytest.mark.parametrize("text", ["0", "65536", "-1", "80.0", "8k", "٨", "1e3", "0x50"])
def test_int_refuses_what_is_no_number_or_out_of_bounds(text: str) -> None:
    with pytest.raises(ImproperlyConfigured, match=r"^PORT='.*' is not a whole number from 1 to 65535\.$"):
        env.env_int("PORT", 8000, lowest=1, highest=65535, environ={"PORT": text})


def test_choice_reads_any_case_and_refuses_others() -> None:
    assert env.env_choice("PAPER", "A4", choices=("A4", "Letter"), environ={"PAPER": "letter"}) == "Letter"
    assert env.env_choice("PAPER", "A4", choices=("A4", "Letter"), environ={}) == "A4"
    with pytest.raises(ImproperlyConfigured, match=r"^PAPER='A5' is not one of A4, Letter\.$"):
        env.env_choice("PAPER", "A4", choices=("A4", "Letter"), environ={"PAPER": "A5"})


def test_list_drops_blanks() -> None:
    assert env.env_list("ALLOWED_HOSTS", environ={"ALLOWED_HOSTS": " a.example, ,b.example,"}) == [
        "a.example",
        "b.example",
    ]
    assert env.env_list("ALLOWED_HOSTS", ("x",), environ={"ALLOWED_HOSTS": " , "}) == ["x"]


def test_path_counts_from_its_base_and_not_from_where_one_stands(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    base = tmp_path / "project"
    assert env.env_path("DATA_DIR", Path("/d"), base=base, environ={"DATA_DIR": "data"}) == base / "data"
    assert env.env_path("DATA_DIR", Path("/d"), base=base, environ={"DATA_DIR": "/srv/x"}) == Path("/srv/x")
    assert env.env_path("DATA_DIR", Path("/d"), base=base, environ={}) == Path("/d")
    with pytest.raises(ImproperlyConfigured, match="DATA_DIR holds a zero byte"):
        env.env_path("DATA_DIR", Path("/d"), base=base, environ={"DATA_DIR": "a\0b"})


def test_url_refuses_another_scheme_without_repeating_the_password() -> None:
    with pytest.raises(ImproperlyConfigured) as refused:
        env.env_url("REDIS_URL", "", schemes=("redis", "unix"), environ={"REDIS_URL": "http://:s3cret@h/0"})
    assert str(refused.value) == "REDIS_URL must be an address that starts with redis:// or unix://."


def test_url_loses_its_closing_slash() -> None:
    environ = {"PUBLIC_URL": "https://desk.example/"}
    assert env.env_url("PUBLIC_URL", "", schemes=("https",), environ=environ) == "https://desk.example"


@pytest.mark.parametrize("text", ["Mars/Base", "Asia", "../etc/passwd", "/etc/passwd", "IST"])
def test_zone_refuses_what_is_no_time_zone(text: str) -> None:
    with pytest.raises(ImproperlyConfigured, match=r"^FIRM_TIME_ZONE='.*' is no time zone\."):
        env.env_zone("FIRM_TIME_ZONE", "UTC", environ={"FIRM_TIME_ZONE": text})
    assert env.env_zone("FIRM_TIME_ZONE", "UTC", environ={"FIRM_TIME_ZONE": "Asia/Kolkata"}) == "Asia/Kolkata"


def test_secret_is_made_once_and_is_readable_by_its_owner_alone(tmp_path: Path) -> None:
    path = tmp_path / "new" / "secret_key"
    first = env.env_secret("SECRET_KEY", keep_in=path, environ={})
    assert env.env_secret("SECRET_KEY", keep_in=path, environ={}) == first
    assert len(first) >= 50
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert [found.name for found in path.parent.iterdir()] == ["secret_key"]


def test_secrets_of_two_installations_differ(tmp_path: Path) -> None:
    one = env.env_secret("SECRET_KEY", keep_in=tmp_path / "one", environ={})
    assert env.env_secret("SECRET_KEY", keep_in=tmp_path / "two", environ={}) != one


def test_a_secret_of_the_environment_is_used_and_not_written_down(tmp_path: Path) -> None:
    path = tmp_path / "secret_key"
    assert env.env_secret("SECRET_KEY", keep_in=path, environ={"SECRET_KEY": "s" * 32}) == "s" * 32
    assert not path.exists()


def test_a_short_or_missing_secret_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ImproperlyConfigured, match=r"^SECRET_KEY is shorter than 32 characters"):
        env.env_secret("SECRET_KEY", keep_in=tmp_path / "k", environ={"SECRET_KEY": "s" * 31})
    with pytest.raises(ImproperlyConfigured, match=r"^SECRET_KEY is not set"):
        env.env_secret("SECRET_KEY", keep_in=None, environ={})
    (tmp_path / "k").write_text("torn")
    with pytest.raises(ImproperlyConfigured, match="holds no usable secret"):
        env.env_secret("SECRET_KEY", keep_in=tmp_path / "k", environ={})


def test_the_socket_lies_in_the_data_folder_where_its_path_fits() -> None:
    assert env.socket_path(Path("/srv/desk/var")) == Path("/srv/desk/var/run/broker.sock")


def test_a_deep_data_folder_gets_a_short_socket_path_of_its_own() -> None:
    deep = Path("/srv") / ("ü" * 60)  # 120 bytes, though only 60 letters
    found = env.socket_path(deep)
    assert len(os.fsencode(found)) <= env.SOCKET_PATH_LIMIT
    assert found == env.socket_path(deep)
    assert found != env.socket_path(deep / "other")
    assert found.parent == Path(f"/tmp/servicedesk-{os.getuid()}")


def test_a_private_folder_is_made_for_this_user_alone(tmp_path: Path) -> None:
    env.own_private_dir(tmp_path / "a" / "run")
    assert stat.S_IMODE((tmp_path / "a" / "run").stat().st_mode) == 0o700


def test_a_folder_that_others_may_write_to_or_a_link_is_refused(tmp_path: Path) -> None:
    (tmp_path / "open").mkdir()
    (tmp_path / "open").chmod(0o777)
    (tmp_path / "link").symlink_to(tmp_path)
    for name in ("open", "link"):
        with pytest.raises(ImproperlyConfigured, match="belongs to another user or is open to others"):
            env.own_private_dir(tmp_path / name)


def _settings(expression: str, tmp_path: Path, **environ: str) -> subprocess.CompletedProcess[str]:
    code = f"from servicedesk import settings as s; print(({expression}))"
    kept = {name: os.environ[name] for name in ("PATH", "HOME") if name in os.environ}
    return subprocess.run(
        [sys.executable, "-c", code],
        cwd=ROOT,
        env={**kept, "DATA_DIR": str(tmp_path), **environ},
        capture_output=True,
        text=True,
        check=False,
    )


def test_with_nothing_set_the_embedded_home_is_chosen(tmp_path: Path) -> None:
    shown = _settings(
        "s.EMBEDDED, s.DEBUG, s.DATABASES['default']['NAME'], s.CELERY_BROKER_URL, s.PUBLIC_URL", tmp_path
    )
    assert shown.stdout.strip() == str(
        (
            True,
            False,
            f"{tmp_path}/servicedesk.sqlite3",
            f"redis+socket://{tmp_path}/run/broker.sock",
            "http://localhost:8000",
        )
    )


def test_a_data_folder_with_blanks_and_signs_reaches_database_and_broker_unchanged(tmp_path: Path) -> None:
    odd = tmp_path / "50% of ?it#"
    shown = _settings(
        "s.DATABASES['default']['NAME'], "
        "__import__('redis').Redis.from_url(s.BROKER_CLIENT_URL).connection_pool.connection_kwargs['path']",
        odd,
    )
    assert shown.stdout.strip() == str((f"{odd}/servicedesk.sqlite3", f"{odd}/run/broker.sock"))


def test_the_port_reaches_the_public_address(tmp_path: Path) -> None:
    assert _settings("s.PUBLIC_URL", tmp_path, PORT="8123").stdout.strip() == "http://localhost:8123"


def test_the_server_home_takes_both_servers_and_demands_a_secret(tmp_path: Path) -> None:
    servers = {
        "DATABASE_URL": "postgresql://u:p@db.example:5433/desk",
        "REDIS_URL": "redis://mq.example:6380/2",
    }
    refused = _settings("1", tmp_path, **servers)
    assert refused.returncode != 0
    assert "SECRET_KEY is not set. With DATABASE_URL" in refused.stderr
    shown = _settings(
        "s.EMBEDDED, s.DATABASES['default']['ENGINE'], s.DATABASES['default']['PORT'], s.CELERY_BROKER_URL",
        tmp_path,
        SECRET_KEY="k" * 40,
        **servers,
    )
    assert shown.stdout.strip() == str(
        (False, "django.db.backends.postgresql", 5433, "redis://mq.example:6380/2")
    )


def test_an_https_address_closes_the_cookies(tmp_path: Path) -> None:
    shown = _settings(
        "s.SESSION_COOKIE_SECURE, s.CSRF_COOKIE_SECURE, s.SECURE_HSTS_SECONDS > 0, s.ALLOWED_HOSTS[-1], "
        "s.CSRF_TRUSTED_ORIGINS",
        tmp_path,
        PUBLIC_URL="https://desk.example:8443/",
    )
    assert shown.stdout.strip() == str((True, True, True, "desk.example", ["https://desk.example:8443"]))


def test_a_mistyped_switch_stops_the_start_by_name(tmp_path: Path) -> None:
    refused = _settings("1", tmp_path, DEBUG="ture")
    assert refused.returncode != 0
    assert "ImproperlyConfigured: DEBUG='ture' is neither yes nor no." in refused.stderr
