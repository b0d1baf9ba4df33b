"""Hide counts of few people, and whatever would give them away."""

from __future__ import annotations

from collections.abc import Sequence

from cohortkit.checks import count


def hidden(counts: Sequence[int], smallest: int) -> list[bool]:
    """Which of the counts that add up to a known total must not be shown.

    Counts of 1 to ``smallest - 1`` are hidden. Then the next smallest count is
    hidden too, again and again, until the hidden ones together leave room for
    at least `smallest` in each of them. A reader who subtracts the shown counts
    from the total can then neither tell a hidden count nor that a certain one is
    small. Zeros stay visible, unless all else is hidden and still too little.

    Parameters
    ----------
    counts
        Levels of one variable, (k,), that add up to a total the reader knows.
        Not counts that overlap.
    smallest
        The smallest count that may be shown.

    Returns
    -------
    list of bool
        True where the count is to be hidden.
    """
    count("smallest", smallest)
    masked = [0 < n < smallest for n in counts]
    if not any(masked):
        return masked
    order = sorted(range(len(counts)), key=lambda i: (counts[i] == 0, counts[i], i))
    for i in order:
        # With m hidden counts of at least 1 each, one of them can be as large as
        # their sum less m - 1.
        together = sum(n for n, m in zip(counts, masked, strict=True) if m)
        if together - (sum(masked) - 1) >= smallest:
            break
        masked[i] = True
    return masked


def shown(counts: Sequence[int], smallest: int) -> list[str]:
    """The counts as text, ``hidden`` where `hidden` says so."""
    return [
        "hidden" if h else str(n) for n, h in zip(counts, hidden(counts, smallest), strict=True)
    ]
