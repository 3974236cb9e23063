"""Is a gauge right, and how do we know?

    reference ──assigned value──> check ──event──> history ──stamp()──> stamp on every reading

`references` says what a reference is worth on this bench, `checks` turns measured values into a verdict,
`stamp` turns the history of a gauge into the calibration state that a reading carries. All of it is pure.
`guard` decides with a guard band, `multipoint` looks at several loads, `correction` is what a person may
switch on from them, `again` evaluates a check anew from what it keeps.

    checks ──series──> noise, control charts ──judge()──> steady, drift, step, warm-up ──> forecast, in words

`day` puts these together for a stretch of checks; `longrun` looks at months.
"""
