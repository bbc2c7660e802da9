"""The errors that a person can mend: one exception a party at fault, each in plain sentences."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

from shared.plan import Place
from shared.safetext import visible

#: The most known words that a sentence lists: every limit there is, but not every host of a large site.
_MOST_KNOWN = 20


class PlanError(Exception):
    """The plan, or a file that it names, cannot be used.  At fault is the plan's author; nothing has been probed.

    ``problems`` holds one sentence a problem, each with its file, line, key and mend, in the order of the files' lines;
    each is one line of visible text, whatever the files hold.
    """

    def __init__(self, *problems: str) -> None:
        self.problems = tuple(visible(problem) for problem in problems)
        super().__init__(*self.problems)

    def __str__(self) -> str:
        return "\n".join(self.problems)


class Problems:
    """Collects what is wrong with one file, so that everything is said at once and in the order of its lines."""

    def __init__(self) -> None:
        self._found: list[tuple[int, str]] = []

    def add(self, place: Place, sentence: str) -> None:
        """Note one problem at ``place``."""
        self._found.append((place.line, f"{place}: {sentence}"))

    def adopt(self, place: Place, error: PlanError) -> None:
        """Note the problems of another file, which this one names at ``place``."""
        self._found.extend((place.line, sentence) for sentence in error.problems)

    def raise_if_any(self) -> None:
        """Raise PlanError where anything was noted."""
        if self._found:
            in_order = sorted(self._found, key=lambda found: found[0])
            raise PlanError(*dict.fromkeys(sentence for _, sentence in in_order))


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known word that ``word`` was most likely meant to be, or None where none comes near."""
    by_folded = {candidate.casefold(): candidate for candidate in known}
    # The cut-off of difflib's own default, 0.6: a slip or two in a short word, no more.
    close = difflib.get_close_matches(word[:200].casefold(), by_folded, n=1, cutoff=0.6)
    return by_folded[close[0]] if close else None


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """How a sentence about an unknown word ends: the nearest known one, or all of them, of very many the first."""
    known = list(known)
    close = nearest(word, known)
    if close is not None:
        return f'did you mean "{close}"?'
    more = f" and {len(known) - _MOST_KNOWN:,} more" if len(known) > _MOST_KNOWN else ""
    return f"known are {', '.join(known[:_MOST_KNOWN])}{more}" if known else "none is known here"


class UsageError(Exception):
    """The command line asks for something that is not there or cannot be done.  One sentence with its mend."""
