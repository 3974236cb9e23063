"""The pages of the screen, one module each; every module has `routes(screen)`."""

from starlette.routing import BaseRoute

from acquire.outputs.screen.app import Screen
from acquire.outputs.screen.views import bench, links

PARTS = (bench, links)


def routes(screen: Screen) -> list[BaseRoute]:
    """Every page's routes."""
    return [route for part in PARTS for route in part.routes(screen)]
