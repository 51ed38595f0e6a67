"""Ampacities, factors and overcurrent devices against the printed tables, typed here again."""

from __future__ import annotations

import polars as pl
import pytest

from auditor.catalog import load_catalog

FRAMES = load_catalog().frames()

# NFPA 70 Table 310.16 (2011 on): copper 60/75/90, then aluminium, 30 °C, three conductors. Up to 4/0 AWG as Table
# E3705.1 of the 2018 residential code (p. 742) and on up.codes; above it public repositories that transcribe the 2014
# and 2023 tables.
TABLE_310_16 = """
14 AWG    15/20/25    -
12 AWG    20/25/30    15/20/25
10 AWG    30/35/40    25/30/35
8 AWG     40/50/55    35/40/45
6 AWG     55/65/75    40/50/55
4 AWG     70/85/95    55/65/75
3 AWG     85/100/115  65/75/85
2 AWG     95/115/130  75/90/100
1 AWG     110/130/145 85/100/115
1/0 AWG   125/150/170 100/120/135
2/0 AWG   145/175/195 115/135/150
3/0 AWG   165/200/225 130/155/175
4/0 AWG   195/230/260 150/180/205
250 kcmil 215/255/290 170/205/230
300 kcmil 240/285/320 195/230/260
350 kcmil 260/310/350 210/250/280
400 kcmil 280/335/380 225/270/305
500 kcmil 320/380/430 260/310/350
600 kcmil 350/420/475 285/340/385
750 kcmil 400/475/535 320/385/435
"""


def test_nec_ampacity() -> None:
    expected = set()
    for line in TABLE_310_16.strip().splitlines():
        number, unit, copper, aluminium = line.split()
        for material, text in (("copper", copper), ("aluminium", aluminium)):
            if text != "-":
                for rating_c, amps in zip((60, 75, 90), text.split("/"), strict=True):
                    expected.add((f"{number} {unit}", material, rating_c, float(amps)))
    frame = FRAMES["ampacity"]
    assert set(frame.select("size", "material", "rating_c", "ampacity_a").iter_rows()) == expected
    assert frame.height == len(expected)


def test_nec_ampacity_is_held_from_2011_only() -> None:
    # Earlier editions print 20 A for 14 AWG and 25 A for 12 AWG copper at 60 °C (from memory); they are not held.
    assert FRAMES["ampacity"]["edition_from"].unique().to_list() == [2011]


def test_nec_ampacity_rises_with_size_and_rating() -> None:
    sizes = FRAMES["conductor"].select("size", "material", "area_mm2")
    frame = FRAMES["ampacity"].join(sizes, on=["size", "material"]).sort("material", "rating_c", "area_mm2")
    steps = frame.select(pl.col("ampacity_a").diff().over("material", "rating_c")).to_series().drop_nulls()
    assert steps.min() > 0
    by_rating = frame.pivot("rating_c", index=["size", "material"], values="ampacity_a")
    assert by_rating.select((pl.col("75") > pl.col("60")) & (pl.col("90") > pl.col("75"))).to_series().all()


# NFPA 70 Table 310.15(B)(1), 30 °C base (up.codes E3705.2; 2021 residential code of Colorado): 60, 75, 90 °C.
AMBIENT = """
10 1.29 1.20 1.15
15 1.22 1.15 1.12
20 1.15 1.11 1.08
25 1.08 1.05 1.04
30 1.00 1.00 1.00
35 .91 .94 .96
40 .82 .88 .91
45 .71 .82 .87
50 .58 .75 .82
55 .41 .67 .76
60 - .58 .71
65 - .47 .65
70 - .33 .58
75 - - .50
80 - - .41
85 - - .29
"""


def test_ambient_factors() -> None:
    expected = set()
    for line in AMBIENT.strip().splitlines():
        to_c, *factors = line.split()
        for rating_c, factor in zip((60, 75, 90), factors, strict=True):
            if factor != "-":
                expected.add((float(to_c), rating_c, float(factor)))
    assert set(FRAMES["ambient_factor"].select("to_c", "rating_c", "factor").iter_rows()) == expected


def test_ambient_factors_follow_their_equation() -> None:
    # NFPA 70 310.15(B)(1), equation: sqrt((Tc - Ta') / (Tc - 30)) with Ta' the top of each printed range, two digits.
    for row in FRAMES["ambient_factor"].iter_rows(named=True):
        equation = ((row["rating_c"] - row["to_c"]) / (row["rating_c"] - 30.0)) ** 0.5
        assert row["factor"] == pytest.approx(equation, abs=0.0051), (row["to_c"], row["rating_c"])


def test_ambient_ranges_join() -> None:
    for rating_c in (60, 75, 90):
        frame = FRAMES["ambient_factor"].filter(pl.col("rating_c") == rating_c).sort("from_c")
        assert frame["from_c"].to_list()[1:] == frame["to_c"].to_list()[:-1]


def test_fill_factors() -> None:
    # NFPA 70 Table 310.15(C)(1) (2014 text of 310.15(B)(3)(a); a trade text).
    assert FRAMES["fill_factor"].sort("from_n").select("from_n", "to_n", "factor").rows()[1:-1] == [
        (4, 6, 0.80),
        (7, 9, 0.70),
        (10, 20, 0.50),
        (21, 30, 0.45),
        (31, 40, 0.40),
    ]
    assert FRAMES["fill_factor"].filter(pl.col("from_n") == 41)["factor"].item() == 0.35
    assert FRAMES["fill_factor"].filter(pl.col("to_n") == 3)["factor"].item() == 1.0


def test_overcurrent_devices() -> None:
    # NFPA 70 240.6(A) (trade journal, 14 March 2019) and 240.4(D) (two training texts).
    sizes = (
        "15 20 25 30 35 40 45 50 60 70 80 90 100 110 125 150 175 200 225 250 300 350 400 450 500 600 700 800 1000 1200 "
        "1600 2000 2500 3000 4000 5000 6000"
    )
    assert FRAMES["standard_breaker"]["amps"].to_list() == [float(text) for text in sizes.split()]
    small = set(FRAMES["small_conductor"].select("size", "material", "max_breaker_a").iter_rows())
    assert small == {
        ("18 AWG", "copper", 7.0),
        ("16 AWG", "copper", 10.0),
        ("14 AWG", "copper", 15.0),
        ("12 AWG", "aluminium", 15.0),
        ("12 AWG", "copper", 20.0),
        ("10 AWG", "aluminium", 25.0),
        ("10 AWG", "copper", 30.0),
    }


# IEC 60364-5-52 Tables B.52.2 and B.52.4, PVC, from 1.5 mm2 copper and 2.5 mm2 aluminium (public transcriptions).
IEC = {
    ("copper", 2, "B1"): "17.5 24 32 41 57 76 101 125 151 192 232 269 300 341 400",
    ("copper", 2, "C"): "19.5 27 36 46 63 85 112 138 168 213 258 299 344 392 461",
    ("copper", 3, "B1"): "15.5 21 28 36 50 68 89 110 134 171 207 239 262 296 346",
    ("copper", 3, "C"): "17.5 24 32 41 57 76 96 119 144 184 223 259 299 341 403",
    ("aluminium", 2, "B1"): "18.5 25 32 44 60 79 97 118 150 181 210 234 266 312",
    ("aluminium", 2, "C"): "21 28 36 49 66 83 103 125 160 195 226 261 298 352",
    ("aluminium", 3, "B1"): "16.5 22 28 39 53 70 86 104 133 161 186 204 230 269",
    ("aluminium", 3, "C"): "18.5 25 32 44 59 73 90 110 140 170 197 227 259 305",
}
METRIC = (1.5, 2.5, 4, 6, 10, 16, 25, 35, 50, 70, 95, 120, 150, 185, 240)


@pytest.mark.parametrize("key", IEC)
def test_iec_capacities(key: tuple[str, int, str]) -> None:
    material, loaded, method = key
    amps = [float(text) for text in IEC[key].split()]
    frame = FRAMES["ampacity_iec"].filter(
        (pl.col("material") == material) & (pl.col("loaded") == loaded) & (pl.col("method") == method)
    )
    sizes = [f"{size:g} mm2" for size in METRIC[-len(amps) :]]
    assert list(frame.select("size", "ampacity_a").iter_rows()) == list(zip(sizes, amps, strict=True))


def test_sans_10142_agrees_with_method_c() -> None:
    # SANS 10142-1:2019 Table 6.3(a), multicore PVC, method 3 (clipped direct), single and three phase, 1.5 to 16 mm2
    # (public transcription).
    single, three = (19.5, 27, 36, 46, 63, 85), (17.5, 24, 32, 41, 57, 76)
    for loaded, amps in ((2, single), (3, three)):
        frame = FRAMES["ampacity_iec"].filter(
            (pl.col("material") == "copper") & (pl.col("loaded") == loaded) & (pl.col("method") == "C")
        )
        assert tuple(frame["ampacity_a"].to_list()[:6]) == amps
