"""The standings as a page: one folder that needs no network, no script and no program of ours to be read.

journal ──results──> scorecards ┐
recordings ──traces──> figures ─┴─page──> index.html
"""

from acquire.outputs.report.page import write_report

__all__ = ["write_report"]
