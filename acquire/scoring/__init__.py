"""The pure core: readings and a method in, a scorecard with uncertainties out.

    method.toml ──parse_method──┐
    readings ──select──> means ─┴─ slip, gloss ┐
    ratings, inspections ─ ratings, endurance ─┴─> scorecard ──rank──> standings

`rank` makes one figure of several trials of a product (combine), finds which differences are real (compare,
groups) and how sure each place is (ranks). Beside the points, `lifetime` says how many strokes a product
lasted over all its panels.

Nothing here knows the time, opens a file or reaches a network: the same arguments give the same scorecard.
"""
