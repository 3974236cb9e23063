"""A page that cannot be shown says why, and what to do next."""

from collections.abc import Callable

from starlette.responses import Response

from acquire.errors import ConfigError, PanelwrightError
from acquire.outputs.screen.app import Screen
from acquire.outputs.screen.forms import hint_here


def safely(screen: Screen, make: Callable[[], Response]) -> Response:
    """What `make` gives, or the page that tells its error: 404 for what is not there, else 503."""
    try:
        return make()
    except PanelwrightError as error:
        status = 404 if isinstance(error, ConfigError) else 503
        return screen.page("refused.html", status, error=str(error), hint=hint_here(error))
