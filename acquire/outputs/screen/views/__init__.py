"""The pages of the screen, one module each; every module has `routes(screen)`."""

from starlette.routing import BaseRoute

from acquire.outputs.screen.app import Screen
from acquire.outputs.screen.views import bench, checks, reading, setup, standings, step, trial, trials

PARTS = (bench, trials, trial, step, checks, standings, reading, setup)


def routes(screen: Screen) -> list[BaseRoute]:
    """Every page's routes."""
    return [route for part in PARTS for route in part.routes(screen)]
