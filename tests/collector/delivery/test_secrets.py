"""Secrets come from the environment or from a file that only the service may read."""

from __future__ import annotations

from pathlib import Path

import pytest

from collector.delivery.secrets import read_secret
from config.errors import TallywireError


def secret_file(folder: Path, content: bytes = b"s3cr3t\n", mode: int = 0o600) -> Path:
    path = folder / "password"
    path.write_bytes(content)
    path.chmod(mode)
    return path


def test_environment_gives_the_secret(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("MAIL_PASSWORD", "s3cr3t")
    assert read_secret("delivery mail", env="MAIL_PASSWORD") == "s3cr3t"


def test_file_gives_the_secret_without_its_line_end(tmp_path: Path) -> None:
    assert read_secret("delivery mail", file=secret_file(tmp_path)) == "s3cr3t"


def test_nothing_named_is_no_secret() -> None:
    assert read_secret("delivery mail") == ""


def test_variable_that_is_not_set_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("MAIL_PASSWORD", raising=False)
    with pytest.raises(TallywireError, match="MAIL_PASSWORD is not set") as caught:
        read_secret("delivery mail", env="MAIL_PASSWORD")
    assert "set MAIL_PASSWORD" in caught.value.fix


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o660, 0o606, 0o644, 0o777])
def test_file_that_others_may_touch_is_refused_with_the_remedy(tmp_path: Path, mode: int) -> None:
    with pytest.raises(TallywireError, match="others may read") as caught:
        read_secret("delivery mail", file=secret_file(tmp_path, mode=mode))
    assert caught.value.fix == "chmod 600 password"
    assert "s3cr3t" not in str(caught.value)


@pytest.mark.parametrize(("content", "said"), [(b"", "is empty"), (b" \n", "is empty"), (b"\xff\xfe\x00", "holds no text")])
def test_file_without_a_secret_is_refused(tmp_path: Path, content: bytes, said: str) -> None:
    with pytest.raises(TallywireError, match=said):
        read_secret("delivery mail", file=secret_file(tmp_path, content))


def test_missing_file_is_one_clear_error(tmp_path: Path) -> None:
    with pytest.raises(TallywireError, match="No such file"):
        read_secret("delivery mail", file=tmp_path / "none")
