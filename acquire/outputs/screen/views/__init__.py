"""The pages of the screen, one module each; every module has `routes(screen)`."""

from starlette.routing import BaseRoute

from acquire.outputs.screen.app import Screen


def routes(screen: Screen) -> list[BaseRoute]:
    """Every page's routes."""
    return []
