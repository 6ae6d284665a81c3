"""Where `replay` and the tests of a kettle print."""

from __future__ import annotations

from collections.abc import Iterable

from rich.console import Console, ConsoleOptions, RenderableType
from rich.segment import Segment

from coalminder.errors import printable


class Terminal(Console):
    """A console that prints names and figures as they are, brackets too and no colours, and leaves it to
    the command line when the reader has gone; the library ends with 1.
    """

    def __init__(self) -> None:
        """Lines as long as they are."""
        super().__init__(soft_wrap=True, markup=False, emoji=False, highlight=False)

    def render(self, renderable: RenderableType, options: ConsoleOptions | None = None) -> Iterable[Segment]:
        """The pieces of what is printed; the library lets through what a record's notes say to a terminal."""
        for piece in super().render(renderable, options):
            yield piece if piece.control else Segment(printable(piece.text), piece.style)

    def on_broken_pipe(self) -> None:
        """Called while the BrokenPipeError is handled: it goes on to `cli.main`."""
        raise  # noqa: PLE0704
