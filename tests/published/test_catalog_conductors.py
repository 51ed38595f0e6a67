"""Conductor tables against the printed tables, typed here again, and against rules that hold between them."""

from __future__ import annotations

import math

import polars as pl
import pytest

from auditor.catalog import load_catalog

FRAMES = load_catalog().frames()

AWG = ("14", "12", "10", "8", "6", "4", "3", "2", "1", "1/0", "2/0", "3/0", "4/0")
KCMIL = ("250", "300", "350", "400", "500", "600", "750")
SIZES = tuple(f"{s} AWG" for s in AWG) + tuple(f"{s} kcmil" for s in KCMIL)
METRIC = (1.5, 2.5, 4, 6, 10, 16, 25, 35, 50, 70, 95, 120, 150, 185, 240)

# NFPA 70 Chapter 9 Table 8, uncoated, stranded, ohm/kft at 75 °C (textbook on commercial wiring 2018, p. 87;
# sfasoft.com/look/35; two public repositories).
TABLE_8_COPPER = (
    "3.14 1.98 1.24 .778 .491 .308 .245 .194 .154 .122 .0967 .0766 .0608 .0515 .0429 .0367 .0321 .0258 .0214 .0171"
)
TABLE_8_ALUMINIUM = (
    "5.17 3.25 2.04 1.28 .808 .508 .403 .319 .253 .201 .159 .126 .100 .0847 .0707 .0605 .0529 .0424 .0353 .0282"
)
CIRCULAR_MILS = (4110, 6530, 10380, 16510, 26240, 41740, 52620, 66360, 83690, 105600, 133100, 167800, 211600)

# IEC 60228, maximum ohm/km at 20 °C, class 2, plain copper and aluminium (three and two public transcriptions).
CLASS_2_COPPER = "12.1 7.41 4.61 3.08 1.83 1.15 .727 .524 .387 .268 .193 .153 .124 .0991 .0754"
CLASS_2_ALUMINIUM = "3.08 1.91 1.20 .868 .641 .443 .320 .253 .206 .164 .125"


def resistance(size: str, material: str) -> float:
    return float(_row(size, material)["r_ohm_per_km"])


def _row(size: str, material: str) -> dict[str, float]:
    row: dict[str, float] = FRAMES["conductor"].row(
        by_predicate=(pl.col("size") == size) & (pl.col("material") == material), named=True
    )
    return row


def reactance(size: str, raceway: str) -> float:
    frame = FRAMES["reactance"].filter((pl.col("size") == size) & (pl.col("raceway") == raceway))
    return float(frame["x_ohm_per_km"].item())


@pytest.mark.parametrize(("material", "printed"), [("copper", TABLE_8_COPPER), ("aluminium", TABLE_8_ALUMINIUM)])
def test_nec_table_8(material: str, printed: str) -> None:
    for size, text in zip(SIZES, printed.split(), strict=True):
        assert resistance(size, material) * 0.3048 == pytest.approx(float(text), rel=1e-12), size


def test_nec_areas() -> None:
    mm2_per_cmil = 5.0670748e-4  # NIST SP 811, Appendix B: 1 circular mil = 5.067 075 E-10 m2
    for size, cmil in zip(SIZES, (*CIRCULAR_MILS, *(int(s) * 1000 for s in KCMIL)), strict=True):
        assert _row(size, "copper")["area_mm2"] == pytest.approx(cmil * mm2_per_cmil, rel=1e-7), size


@pytest.mark.parametrize(("material", "constant"), [("copper", 12.9), ("aluminium", 21.2)])
def test_trade_constant(material: str, constant: float) -> None:
    """R x circular mils / 1000 is the trade constant K, 12.9 copper and 21.2 aluminium, in every row.

    One row, 750 kcmil copper, is printed with three digits as .0171 and lies 0.58 % low; half its last digit is 0.3 %.
    """
    for size in SIZES:
        row = _row(size, material)
        k = row["r_ohm_per_km"] * 0.3048 * row["area_mm2"] / 5.0670748e-4 / 1000.0
        tolerance = 0.006 if (size, material) == ("750 kcmil", "copper") else 0.005
        assert k == pytest.approx(constant, rel=tolerance), size


@pytest.mark.parametrize(
    ("material", "factors"),
    [
        # R2 = R1 (1 + alpha (T2 - 75)), NEC Chapter 9 Table 8 Note 2, with 0.00323 and 0.00330 (trade forum thread on
        # the note; UFC 3-520-01 B-2.2): arithmetic at 20, 30, 40, 50, 60, 75 and 90 °C.
        ("copper", (0.82235, 0.85465, 0.88695, 0.91925, 0.95155, 1.0, 1.04845)),
        ("aluminium", (0.81850, 0.85150, 0.88450, 0.91750, 0.95050, 1.0, 1.04950)),
    ],
)
def test_nec_temperature_correction(material: str, factors: tuple[float, ...]) -> None:
    row = _row("12 AWG", material)
    assert row["reference_c"] == 75.0
    for temp_c, factor in zip((20, 30, 40, 50, 60, 75, 90), factors, strict=True):
        assert 1.0 + row["alpha_per_c"] * (temp_c - 75.0) == pytest.approx(factor, abs=1e-9)


@pytest.mark.parametrize(
    ("material", "sizes", "printed"),
    [("copper", METRIC, CLASS_2_COPPER), ("aluminium", METRIC[4:], CLASS_2_ALUMINIUM)],
)
def test_iec_60228_class_2(material: str, sizes: tuple[float, ...], printed: str) -> None:
    for size, text in zip(sizes, printed.split(), strict=True):
        row = _row(f"{size:g} mm2", material)
        assert row["r_ohm_per_km"] == float(text)
        assert row["area_mm2"] == size
        assert row["reference_c"] == 20.0


def test_iec_temperature_factors() -> None:
    # BS 7671 Appendix 4 volt drops follow from 1.1965 at 70 °C and 1.2751 at 90 °C for copper; IEC 60287-1-1 Table 1
    # gives 0.00403 per °C for aluminium, hence 1.2015 at 70 °C.
    copper = _row("6 mm2", "copper")["alpha_per_c"]
    assert 1.0 + copper * 50.0 == pytest.approx(1.1965, abs=1e-9)
    assert 1.0 + copper * 70.0 == pytest.approx(1.2751, abs=1e-9)
    assert 1.0 + _row("16 mm2", "aluminium")["alpha_per_c"] * 50.0 == pytest.approx(1.2015, abs=1e-9)


def test_bs_7671_volt_drop() -> None:
    # BS 7671 Table 4E4B, mV/A/m at 90 °C: two-core and three- or four-core (public transcription); r for 25 and 35 mm2.
    table = {1.5: (31, 27), 2.5: (19, 16), 4: (12, 10), 6: (7.9, 6.8), 10: (4.7, 4.0), 16: (2.9, 2.5)}
    table |= {25: (1.85, 1.60), 35: (1.35, 1.15)}
    for size, (single, three) in table.items():
        row = _row(f"{size:g} mm2", "copper")
        hot = row["r_ohm_per_km"] * (1.0 + row["alpha_per_c"] * 70.0)
        assert 2.0 * hot == pytest.approx(single, rel=0.025), size
        assert math.sqrt(3.0) * hot == pytest.approx(three, rel=0.025), size


def test_iec_and_nec_agree_on_resistivity() -> None:
    """Resistance times area at 20 °C lies above the resistivity of the metal, in both standards and near it.

    IEC 60028 gives 17.241 ohm mm2/km for annealed copper, IEC 60889 28.264 for aluminium. Stranding adds 2 % to
    the rows of the NEC; a nominal area of IEC 60228 is no true area, and 50 mm2 stands furthest above it.
    """
    for material, rho in (("copper", 17.241), ("aluminium", 28.264)):
        for row in FRAMES["conductor"].filter(pl.col("material") == material).iter_rows(named=True):
            cold = row["r_ohm_per_km"] * (1.0 + row["alpha_per_c"] * (20.0 - row["reference_c"]))
            most = 1.14 if row["size"].endswith("mm2") else 1.03
            assert 1.01 < cold * row["area_mm2"] / rho < most, row["size"]


# NFPA 70 Chapter 9 Table 9, ohm/kft: X PVC and aluminium, X steel, R copper PVC, R copper steel, and effective Z at
# 0.85 power factor for copper in PVC and steel (scan of the 2008 edition; sfasoft.com/look/29;
# brunsengineering.com/nec-table-9).
TABLE_9 = """
14 AWG    .058 .073 3.1  3.1  2.7  2.7
12 AWG    .054 .068 2.0  2.0  1.7  1.7
10 AWG    .050 .063 1.2  1.2  1.1  1.1
8 AWG     .052 .065 .78  .78  .69  .70
6 AWG     .051 .064 .49  .49  .44  .45
4 AWG     .048 .060 .31  .31  .29  .30
3 AWG     .047 .059 .25  .25  .23  .24
2 AWG     .045 .057 .19  .20  .19  .20
1 AWG     .046 .057 .15  .16  .16  .16
1/0 AWG   .044 .055 .12  .12  .13  .13
2/0 AWG   .043 .054 .10  .10  .11  .11
3/0 AWG   .042 .052 .077 .079 .088 .094
4/0 AWG   .041 .051 .062 .063 .074 .080
250 kcmil .041 .052 .052 .054 .066 .073
300 kcmil .041 .051 .044 .045 .059 .065
350 kcmil .040 .050 .038 .039 .053 .060
400 kcmil .040 .049 .033 .035 .049 .056
500 kcmil .039 .048 .027 .029 .043 .050
600 kcmil .039 .048 .023 .025 .040 .047
750 kcmil .038 .048 .019 .021 .036 .043
"""


@pytest.mark.parametrize("line", TABLE_9.strip().splitlines())
def test_nec_table_9(line: str) -> None:
    size = " ".join(line.split()[:2])
    x_pvc, x_steel, r_pvc, r_steel, z_pvc, z_steel = (float(text) for text in line.split()[2:])
    for raceway, printed in (("pvc", x_pvc), ("aluminium", x_pvc), ("cable", x_pvc), ("free air", x_pvc)):
        assert reactance(size, raceway) * 0.3048 == pytest.approx(printed, rel=1e-12)
    assert reactance(size, "steel") * 0.3048 == pytest.approx(x_steel, rel=1e-12)
    # Note 2: Ze = R cos + X sin. The printed two digits of R and X allow no closer check than 6 %.
    for raceway, r, printed in (("pvc", r_pvc, z_pvc), ("steel", r_steel, z_steel)):
        ze = 0.85 * r + math.sqrt(1.0 - 0.85**2) * reactance(size, raceway) * 0.3048
        assert ze == pytest.approx(printed, rel=0.06), raceway
    # The AC resistance in PVC is the DC resistance of Table 8, printed with two digits, up to 4/0 AWG.
    if size.endswith("AWG"):
        assert resistance(size, "copper") * 0.3048 == pytest.approx(r_pvc, rel=0.04)


def test_nec_table_9_per_km() -> None:
    # NOM-001-SEDE-2012 Table 9 (Official Gazette of Mexico, 29 November 2012), ohm/km: the same X in PVC and steel.
    pvc = ".190 .177 .164 .171 .167 .157 .154 .148 .151 .144 .141 .138 .135"
    steel = ".240 .223 .207 .213 .210 .197 .194 .187 .187 .180 .177 .171 .167"
    for size, x_pvc, x_steel in zip(SIZES, pvc.split(), steel.split(), strict=False):
        assert reactance(size, "pvc") == pytest.approx(float(x_pvc), rel=0.01)
        assert reactance(size, "steel") == pytest.approx(float(x_steel), rel=0.01)


def test_iec_reactance() -> None:
    # IEC 60364-5-52 Annex G: 0.08 mohm/m (text on voltage drop after NF C 15-100; electrical-installation.org).
    metric = FRAMES["reactance"].filter(pl.col("size").str.ends_with("mm2"))
    assert metric["x_ohm_per_km"].unique().to_list() == [0.08]
    assert metric.height == len(METRIC) * 5


def test_derived_reactance_is_marked() -> None:
    nec = FRAMES["reactance"].filter(~pl.col("size").str.ends_with("mm2"))
    derived = nec.filter(pl.col("mark") == "derived")
    assert sorted(derived["raceway"].unique()) == ["cable", "free air"]
    assert nec.filter(pl.col("raceway").is_in(["cable", "free air"])).height == derived.height
