"""Foreign text in places that read Markdown."""

import re
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "dashboards"))
from page_parts import plain

from fleetbrake.reports.printed import printed

JOINER = "\u2060"


def _unescaped(shown: str) -> str:
    """What a Markdown reader makes of backslash escapes (CommonMark 0.31, section 2.4, from memory)."""
    return re.sub(r"\\([!-/:-@\[-`{-~])", r"\1", shown)


@given(st.text(st.characters(exclude_characters=JOINER, exclude_categories=["Cs"]), min_size=1))
def test_the_letters_come_back(text: str) -> None:
    wanted = " ".join(printed(text).split())
    shown = _unescaped(plain(text)).replace(JOINER, "")
    assert shown == (wanted if text else "–")


@given(st.text("`*_{}[]()#+-.!|<>$~:^&@/='\"\\ab1 "))
def test_no_markup_character_stands_without_a_backslash(text: str) -> None:
    assert not re.search(r"(?<!\\)(?:\\\\)*[`*_\[\]<>$~|#!]", re.sub(r"\\.", "", plain(text)))


@pytest.mark.parametrize("text", ["http://example.org", "HTTPS://example.org", "www.example.org", "a@example.org"])
def test_nothing_becomes_a_link(text: str) -> None:
    shown = _unescaped(plain(text))
    assert not re.search(r"(?i)https?:|www\.|\w@\w", shown)


@pytest.mark.parametrize("text", [":smile:", ":material/home:", ":+1:", ":red[x] :a:b:"])
def test_nothing_becomes_a_picture(text: str) -> None:
    assert not re.search(r":[\w+/-]+:", _unescaped(plain(text)))


@pytest.mark.parametrize("text", ["--", "->", "<-", "<=", ">=", "~="])
def test_nothing_is_joined_into_another_sign(text: str) -> None:
    assert text not in _unescaped(plain(text))


@pytest.mark.parametrize("mark", ["\u202e", "\u2067", "\x1b", "\x9b", "\0"])
def test_nothing_reaches_beyond_its_own_text(mark: str) -> None:
    assert plain(f"a{mark}b") == "a\ufffdb"


def test_missing_text_is_a_dash() -> None:
    assert plain(None) == plain("") == plain(float("nan")) == "–"
