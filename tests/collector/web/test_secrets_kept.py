"""Nothing secret leaves: not by pages, errors, metrics, the description, the log, the audit log, the database or an event."""

from __future__ import annotations

import logging
import sqlite3
from pathlib import Path

import pytest

from collector.access.roles import Role, Scope
from collector.delivery.secrets import read_secret
from collector.web.security import SAFE_METHODS
from config.deliveries import MailDelivery
from config.errors import TallywireError
from tests.collector.web.locked import CONSOLE, NAMES, every_route, locked_app, password_of
from tests.collector.web.test_door import STREAM, filled

MAIL = "mail-secret-4711-in-the-environment"
FILED = "filed-secret-4712-in-a-file"
TYPED = "typed-secret-4713-wrong-at-the-door"
NEW = "new-secret-4714 of a new account"


async def test_no_secret_is_in_anything_that_leaves_or_is_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG)
    monkeypatch.setenv("TALLYWIRE_MAIL_PASSWORD", MAIL)
    kept = tmp_path / "secret"
    kept.write_text(FILED)
    kept.chmod(0o600)
    locked = locked_app(tmp_path, folder_of_checks=tmp_path)
    mails = {
        "shift": MailDelivery(kind="mail", server="mail.example.com", sender="a@example.com", to=("b@example.com",), user="u",
                              password_env="TALLYWIRE_MAIL_PASSWORD"),
        "night": MailDelivery(kind="mail", server="mail.example.com", sender="a@example.com", to=("b@example.com",), user="u",
                              password_file=kept),
    }  # fmt: skip
    locked.live.site = locked.live.site.model_copy(update={"deliveries": mails})
    token = locked.token(Scope.READ, Scope.METRICS)
    sessions = [locked.session(role) for role in Role]
    told: list[str] = []
    for accept in ("text/html", "application/json"):
        for method, path in every_route(locked.app):
            if path in (STREAM, "/logout") or (method != "GET" and accept == "text/html"):
                continue
            content = {} if method in SAFE_METHODS else {"json": {"password": NEW, "name": "x1", "role": "viewer"}}
            async with locked.client(Role.ADMIN, Accept=accept) as client:
                answer = await client.request(method, filled(path), **content)  # type: ignore[arg-type]
            told.append(f"{method} {path} {answer.headers} {answer.text}")
    login = {"token": locked.app.state.guard.process_token, "name": NAMES[Role.ADMIN], "password": TYPED, "next": "/"}
    told.append((await locked.post("/login", data=login)).text)
    told.append((await locked.post("/login", data=login | {"name": TYPED})).text)
    told.append((await locked.get("/metrics", Accept="*/*", Authorization=f"Bearer {token}")).text)
    told.append((await locked.get("/api/v1/site", Accept="*/*", Authorization=f"Bearer {token}x")).text)
    locked.access.accounts.add("diallo", Role.VIEWER, NEW, by=CONSOLE)
    hashes = _hashes(locked.state.where)
    secrets = [MAIL, FILED, TYPED, NEW, token, *sessions, *(password_of(role) for role in Role), *hashes]
    assert len(hashes) == 6
    for secret in secrets:
        for text in told:
            assert secret not in text, text[:300]
        assert secret not in caplog.text
        assert secret not in str(locked.live.problems)
    locked.state.close()
    stored = _stored(tmp_path)
    for secret in secrets:
        if secret not in hashes:
            assert secret.encode() not in stored


def _stored(folder: Path) -> bytes:
    return b"".join(path.read_bytes() for path in folder.glob("state.db*"))


def _hashes(path: str) -> list[str]:
    with sqlite3.connect(path) as raw:
        found = [row[0] for row in raw.execute("SELECT password FROM accounts")]
    raw.close()
    return found


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o666])
def test_secret_in_a_file_that_others_may_read_is_refused_and_not_told(tmp_path: Path, mode: int) -> None:
    path = tmp_path / "secret"
    path.write_text(FILED)
    path.chmod(mode)
    with pytest.raises(TallywireError, match="others may read") as told:
        read_secret("the password", file=path)
    assert FILED not in str(told.value)
