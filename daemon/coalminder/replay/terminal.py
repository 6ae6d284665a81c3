"""Where `replay` and the tests of a kettle print."""

from __future__ import annotations

from rich.console import Console


class Terminal(Console):
    """A console that prints names and figures as they are, brackets too and no colours, and leaves it to
    the command line when the reader has gone; the library ends with 1.
    """

    def __init__(self) -> None:
        """Lines as long as they are."""
        super().__init__(soft_wrap=True, markup=False, emoji=False, highlight=False)

    def on_broken_pipe(self) -> None:
        """Called while the BrokenPipeError is handled: it goes on to `cli.main`."""
        raise  # noqa: PLE0704
