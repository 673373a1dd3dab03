"""Where results are printed."""

from __future__ import annotations

from rich.console import Console


def console() -> Console:
    """Where results are printed; plain, and wide enough for every table, when not a terminal."""

    def made(width: int | None = None) -> Console:
        # What a keeper named stays as it was written, also when it looks like rich's own marks.
        return Console(highlight=False, markup=False, emoji=False, soft_wrap=True, width=width)

    wide = made()
    return wide if wide.is_terminal else made(140)
