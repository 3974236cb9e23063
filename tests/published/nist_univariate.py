"""NIST StRD univariate data, with certified mean and standard deviation.

Read in NIST's own data files (usnistgov/dataplot, lib/data: NUMACC1..4, MICHELSO, MAVRO, LEW). Certified
values: NumAcc from the headers of those files; the others second-hand, from a test of a public numerical
library that quotes them.
"""

from typing import NamedTuple


class DataSet(NamedTuple):
    name: str
    values: list[float]
    mean: float
    sd: float
    rel: float
    """Relative accuracy that double precision allows for these data."""


def _numbers(text: str, scale: float = 1.0) -> list[float]:
    return [float(word) / scale for word in text.split()]


# Hundredths of km/s above 299 km/s: 85 stands for 299.85.
MICHELSO = [
    round(299 + hundredths / 100, 2)
    for hundredths in _numbers("""
     85  74  90 107  93  85  95  98  98  88 100  98  93  65  76  81 100 100  96  96
     96  94  96  94  88  80  85  88  90  84  83  79  81  88  88  83  80  79  76  80
     88  88  88  86  72  72  62  86  97  95  88  91  85  87  84  84  85  84  84  84
     89  81  81  82  80  77  76  74  75  76  91  92  89  86  88  72  84  85  85  78
     89  84  78  81  76  81  79  81  82  85  87  87  81  74  81  94  95  80  81  87
    """)
]

MAVRO = _numbers(
    """
    200180 200170 200180 200190 200180 200170 200150 200140 200150 200150
    200170 200180 200180 200190 200190 200210 200200 200160 200140 200130
    200130 200150 200150 200160 200150 200140 200130 200140 200150 200140
    200150 200160 200150 200160 200190 200200 200200 200210 200220 200230
    200240 200250 200270 200260 200260 200260 200270 200260 200250 200240
    """,
    scale=100000,
)

LEW = _numbers("""
    -213 -564  -35  -15  141  115 -420 -360  203 -338 -431  194 -220 -513  154 -125 -559   92  -21 -579
     -52   99 -543 -175  162 -457 -346  204 -300 -474  164 -107 -572   -8   83 -541 -224  180 -420 -374
     201 -236 -531   83   27 -564 -112  131 -507 -254  199 -311 -495  143  -46 -579  -90  136 -472 -338
     202 -287 -477  169 -124 -568   17   48 -568 -135  162 -430 -422  172  -74 -577  -13   92 -534 -243
     194 -355 -465  156  -81 -578  -64  139 -449 -384  193 -198 -538  110  -44 -577   -6   66 -552 -164
     161 -460 -344  205 -281 -504  134  -28 -576 -118  156 -437 -381  200 -220 -540   83   11 -568 -160
     172 -414 -408  188 -125 -572  -32  139 -492 -321  205 -262 -504  142  -83 -574    0   48 -571 -106
     137 -501 -266  190 -391 -406  194 -186 -553   83  -13 -577  -49  103 -515 -280  201  300 -506  131
     -45 -578  -80  138 -462 -361  201 -211 -554   32   74 -533 -235  187 -372 -442  182 -147 -566   25
      68 -535 -244  194 -351 -463  174 -125 -570   15   72 -550 -190  172 -424 -385  198 -218 -536   96
    """)


def _alternating(first: float, low: float, high: float) -> list[float]:
    return [first] + [low, high] * 500


DATA_SETS = [
    DataSet("NumAcc1", [10000001.0, 10000003.0, 10000002.0], 10000002.0, 1.0, 1e-15),
    DataSet("NumAcc2", _alternating(1.2, 1.1, 1.3), 1.2, 0.1, 1e-14),
    DataSet("NumAcc3", _alternating(1000000.2, 1000000.1, 1000000.3), 1000000.2, 0.1, 1e-9),
    DataSet("NumAcc4", _alternating(10000000.2, 10000000.1, 10000000.3), 10000000.2, 0.1, 1e-8),
    DataSet("Michelso", MICHELSO, 299.8524, 0.0790105478190518, 1e-12),
    DataSet("Mavro", MAVRO, 2.001856, 0.000429123454003053, 1e-11),
    DataSet("Lew", LEW, -177.435, 277.332168044316, 1e-14),
]
