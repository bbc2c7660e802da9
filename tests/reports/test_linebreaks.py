"""A line ends at no hyphen and in long names after dots, and what is shown and copied is the text itself."""

from __future__ import annotations

import re
from html.parser import HTMLParser

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reports.linebreaks import at_dots, unparted

HOSTILE = st.text(alphabet="-.&;<>#'\"ai3 \t", max_size=80)


class Read(HTMLParser):
    """What is left of mark-up: its text and its elements."""

    def __init__(self, page: str) -> None:
        super().__init__(convert_charrefs=True)
        self.text, self.tags = "", set[str]()
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        assert not attrs

    def handle_data(self, data: str) -> None:
        self.text += data


@pytest.mark.parametrize(("text", "page"), [
    ("dome-a", "dom<i>e-a</i>"),
    ("new-host-5.obs", "ne<i>w-h</i>os<i>t-5</i>.obs"),
    ("a-b-c", "<i>a-b</i><i>-c</i>"),
    ("ss -l --now", "ss <i>-l</i> <i>--n</i>ow"),
    ("one - two", "one - two"),
    ("ends-", "ends-"),
    ("<-a>&-b", "&lt;<i>-a</i>&gt;&amp;<i>-b</i>"),
    ("192.0.2.11 in 1.59 s", "192.0.2.11 in 1.59 s"),
    ("dome.obs.example.net", "dome.obs.example.net"),
    ("a-machine-in-the-third-row.obs.net", "<i>a-m</i>achin<i>e-i</i><i>n-t</i>h<i>e-t</i>hir<i>d-r</i>ow.<wbr>obs.<wbr>net"),
])
def test_hyphens_hold_and_only_long_names_give_way_at_dots(text: str, page: str) -> None:
    """The neighbours of a hyphen stand with it in one element."""
    assert str(unparted(text)) == page


def test_in_a_narrow_column_every_name_gives_way_at_its_dots() -> None:
    """A host's name beside its findings."""
    assert str(at_dots("dome-d.obs.example.net")) == "dom<i>e-d</i>.<wbr>obs.<wbr>example.<wbr>net"


@given(text=HOSTILE)
def test_any_text_reads_back_as_itself(text: str) -> None:
    """No character reference is parted, nothing is lost and nothing of a host's own becomes mark-up."""
    for page in (unparted(text), at_dots(text)):
        read = Read(str(page))
        assert read.text == text
        assert read.tags <= {"i", "wbr"}


@given(text=HOSTILE)
def test_no_piece_that_holds_together_is_long(text: str) -> None:
    """A thousand hyphens still break, or the page would run off to the side."""
    assert all(len(piece) <= 5 for piece in re.findall(r"<i>(.*?)</i>", str(unparted(text))))
