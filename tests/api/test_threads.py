"""What the service has begun in threads ends before the catalogue is closed under it."""

from __future__ import annotations

import threading
import time
from pathlib import Path

import pytest

from api import app
from tests.support.service import service, write_catalogue


def test_the_catalogue_is_closed_after_the_clearing_that_uses_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun, ended = threading.Event(), threading.Event()

    def clear_slowly(_: Path) -> None:
        begun.set()
        time.sleep(0.5)
        ended.set()

    monkeypatch.setattr(app, "clear_scratch", clear_slowly)
    with service(write_catalogue(tmp_path)):
        assert begun.wait(10)
    assert ended.is_set()
