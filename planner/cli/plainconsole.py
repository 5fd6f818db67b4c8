"""Terminal output of tables and untrusted text."""

from collections.abc import Iterable

from rich.console import Console, ConsoleOptions, RenderableType
from rich.segment import Segment

from planner.model.plaintext import printable


class PlainConsole(Console):
    """A console that prints no control characters."""

    def render(self, renderable: RenderableType, options: ConsoleOptions | None = None) -> Iterable[Segment]:
        """Render an object with escaped text."""
        for segment in super().render(renderable, options):
            text = printable(segment.text)  # the same object where nothing is replaced, as nearly always
            yield segment if segment.control or text is segment.text else segment._replace(text=text)
