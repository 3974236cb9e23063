"""Studies of the measuring itself: how much of a spread comes from panels, people, benches or mere repeating.

Pure: observations in, tables out. `observed` says what an observation is and reads it from CSV, `oneway` and
`crossed` are analyses of variance, `benches` compares benches as ASTM E691 and ISO 5725-2 ask.
"""
