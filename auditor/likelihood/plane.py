"""From the sky to the output: the light on the modules' plane, their heat, and what the inverter lets through."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from pvlib import iam, irradiance, temperature

from auditor.likelihood.arrays import FloatArray, IntArray
from auditor.likelihood.sky import MONTH_DAY, Sun

#: Albedo of the ground, an assumption: grass and roofs.
ALBEDO = 0.2
#: Share of diffuse light that the cover lets through, taken at 60° of incidence. Brandemuehl and Beckman, Solar Energy
#: 24 (1980) 511-513.
DIFFUSE_DEG = 60.0
#: Modules close to a roof, glass on glass. King, Boyson and Kratochvil, SAND2004-3535 (2004), table 1.
CLOSE_ROOF = {"a": -2.98, "b": -0.0471, "deltaT": 1.0}


@dataclass(frozen=True)
class Losses:
    """What lies between the light on the plane and the output; each an assumption unless the records tell.

    system      share lost outside heat and clipping. 0.12 is soiling 2, mismatch 2, wiring 2, connections 0.5, first
                light 1.5 and nameplate 1 % (Dobos, NREL/TP-6A20-62641, 2014, without shading and downtime, which do
                not lower a peak) and an inverter of 96 %
    per_k       change of power with cell temperature [1/K]
    ambient_c   (12,) air temperature by month [°C], day and night alike
    wind_m_s    wind over the modules [m/s]
    """

    system: float = 0.12
    per_k: float = -0.0035
    ambient_c: tuple[float, ...] = (20.0,) * 12
    wind_m_s: float = 1.0


@dataclass(frozen=True)
class Sky:
    """Days of sun and light over one place.

    sun     the sun of the twelve months
    month   (n,) month of each day, 0 to 11
    ground_w_m2, beam_w_m2, diffuse_w_m2   (n, slots) light on the horizontal, normal to the beam, and diffuse on the
    horizontal [W/m²]
    """

    sun: Sun
    month: IntArray
    ground_w_m2: FloatArray
    beam_w_m2: FloatArray
    diffuse_w_m2: FloatArray

    @classmethod
    def of(cls, sun: Sun, month: IntArray, kt: FloatArray) -> Sky:
        """Split the light of days with clearness kt (n, slots); month is (n,).

        Beam and diffuse light after Erbs, Klein and Duffie, Solar Energy 28 (1982) 293-302, eq. 1 (fitted to hours,
        used for slots).
        """
        ground = kt * sun.horizontal_w_m2[month]
        split = irradiance.erbs(ground, sun.zenith_deg[month], MONTH_DAY[month][:, None])
        return cls(sun, month, ground, split["dni"], split["dhi"])


def plane_w_m2(sky: Sky, tilt_deg: float, azimuth_deg: float) -> FloatArray:
    """Irradiance that reaches the cells on the tilted plane, (n, slots) [W/m²].

    The sky after Hay and Davies (1980); the loss at the cover after ASHRAE 93-77.
    """
    sun, month = sky.sun, sky.month
    zenith, azimuth = sun.zenith_deg[month], sun.azimuth_deg[month]
    cosine = np.maximum(irradiance.aoi_projection(tilt_deg, azimuth_deg, zenith, azimuth), 0.0)
    angle = np.degrees(np.arccos(np.minimum(cosine, 1.0)))
    parts = irradiance.haydavies(
        tilt_deg,
        azimuth_deg,
        sky.diffuse_w_m2,
        sky.beam_w_m2,
        sun.normal_w_m2[month],
        zenith,
        azimuth,
        return_components=True,
    )
    reflected = irradiance.get_ground_diffuse(tilt_deg, sky.ground_w_m2, albedo=ALBEDO)
    beam = sky.beam_w_m2 * cosine + parts["poa_circumsolar"]
    diffuse = parts["poa_isotropic"] + reflected
    return np.asarray(beam * iam.ashrae(angle) + diffuse * iam.ashrae(np.array(DIFFUSE_DEG)), dtype=np.float64)


def output_of(light_w_m2: FloatArray, ambient_c: FloatArray, dc_ac_ratio: float, losses: Losses) -> FloatArray:
    """Output as a share of rated output, 0 to 1; light_w_m2 (n, slots) [W/m²], ambient_c (n, 1) [°C].

    dc_ac_ratio is the modules' power at standard test conditions over the inverter's rated output.
    """
    cell_c = temperature.sapm_cell(light_w_m2, ambient_c, losses.wind_m_s, **CLOSE_ROOF)
    power = dc_ac_ratio * light_w_m2 / 1000.0 * (1.0 + losses.per_k * (cell_c - 25.0)) * (1.0 - losses.system)
    return np.asarray(np.clip(power, 0.0, 1.0), dtype=np.float64)
