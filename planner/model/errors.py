"""Errors raised by the planner; each is one line at the command line."""


class PlannerError(Exception):
    """Base class of the planner's errors."""


class TripError(PlannerError):
    """The trip folder has problems; contains all of them, one sentence each.

    Attributes
    ----------
    problems : tuple of str
        Sentences of the form 'file row column: got, allowed, next step'.
    """

    def __init__(self, problems: list[str]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(problems))


class NoRouteError(PlannerError):
    """The route graph has no connection between two places."""


class OutputError(PlannerError):
    """The results could not be written."""
