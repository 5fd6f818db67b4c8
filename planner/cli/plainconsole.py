"""Tables and text in a terminal, whatever stands in them."""

from collections.abc import Iterable

from rich.console import Console, ConsoleOptions, RenderableType
from rich.segment import Segment

from planner.model.plaintext import printable


class PlainConsole(Console):
    """A console on which no character acts on the terminal."""

    def render(self, renderable: RenderableType, options: ConsoleOptions | None = None) -> Iterable[Segment]:
        """Draw a thing, its text made harmless."""
        for segment in super().render(renderable, options):
            yield segment if segment.control else segment._replace(text=printable(segment.text))
