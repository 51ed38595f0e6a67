"""Three years of quarter-hours at nodes of three low-voltage networks, by power flow; writes the Parquet files here.

Needs pandapower (the networks) besides power-grid-model (the power flow), pvlib and pyarrow; the project itself does
not. Run `python make_lv_year.py`. What is published and what is invented stands in README.md. Shares no code with the
package.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path

import numpy as np
import pandapower as pp
import pandas as pd
import power_grid_model as pgm
import pvlib
import pyarrow as pa
import pyarrow.parquet as pq
from pandapower import networks
from scipy.signal import lfilter
from scipy.special import ndtr
from scipy.stats import beta as beta_law

SEED = 20210
LATITUDE_DEG, LONGITUDE_DEG = 48.0, 11.0
TIMES = pd.date_range("2021-01-01", "2024-01-01", freq="15min", tz="Etc/GMT-1", inclusive="left")
STEPS, STEP_H = len(TIMES), 0.25
HOUR = TIMES.hour.to_numpy() + TIMES.minute.to_numpy() / 60.0
DAY = TIMES.dayofyear.to_numpy()
WEEKEND = TIMES.dayofweek.to_numpy() >= 5
WINTER = 0.5 + 0.5 * np.cos((DAY - 15) / 365.0 * 2 * np.pi)


@dataclass(frozen=True)
class Village:
    """One network: how to make it, nodes whose voltage is kept, houses a load, share with sun, kW a house, MV level."""

    name: str
    make: str
    nodes: tuple[str, ...]
    houses_kw: float | None
    solar_share: float
    solar_kw: tuple[float, float]
    level_pct: float


VILLAGES = (
    Village("overhead", "create_kerber_landnetz_freileitung_1", ("bus_1_3", "bus_1_6"), None, 0.6, (4.0, 8.0), 102.0),
    Village("dorf", "create_kerber_dorfnetz", ("loadbus_1_5", "loadbus_3_16"), None, 0.55, (4.0, 9.0), 101.5),
    Village("cigre", "create_cigre_network_lv", ("Bus R15", "Bus R18"), 4.7, 0.7, (4.0, 7.0), 102.5),
)
#: Name, kW, quarter-hours, starts a day, most likely hours with their spread and share, weekend factor, winter factor.
APPLIANCES = (
    ("kettle", 1.0, 1, 3.0, ((7.0, 1.0, 0.4), (16.0, 3.5, 0.6)), 1.2, 1.1),
    ("cooker", 1.8, 3, 1.0, ((12.0, 1.0, 0.4), (18.5, 1.2, 0.6)), 1.3, 1.0),
    ("dishes", 1.2, 4, 0.6, ((13.5, 1.5, 0.4), (20.0, 1.5, 0.6)), 1.1, 1.0),
    ("washing", 1.0, 4, 0.5, ((10.0, 2.5, 0.7), (18.0, 2.0, 0.3)), 1.6, 1.0),
    ("dryer", 2.0, 4, 0.25, ((13.0, 3.0, 0.6), (20.0, 1.5, 0.4)), 1.5, 1.4),
    ("screens", 0.15, 12, 1.5, ((19.5, 2.0, 0.8), (14.0, 3.0, 0.2)), 1.2, 1.1),
    ("lights", 0.12, 16, 1.5, ((19.0, 2.0, 0.8), (7.0, 1.0, 0.2)), 1.0, 1.9),
)


def wandering(rng: np.random.Generator, hours: float, size: int = 1) -> np.ndarray:
    """Stationary normal sequences (size, STEPS) of unit spread that forget with this time constant [h]."""
    keep = np.exp(-STEP_H / hours)
    noise = rng.standard_normal((size, STEPS + 2000)) * np.sqrt(1.0 - keep**2)
    return lfilter([1.0], [1.0, -keep], noise, axis=1)[:, 2000:]


def sky(rng: np.random.Generator) -> np.ndarray:
    """Clear-sky index (STEPS,): a wandering cloud cover N, then 1 − 0.75·N^3.4 (Kasten and Czeplak 1980)."""
    latent = 0.80 * wandering(rng, 20.0) + 0.50 * wandering(rng, 2.0) + 0.33 * wandering(rng, 0.3)
    cover = beta_law.ppf(ndtr(latent[0]), 0.55 + 0.1 * WINTER, 0.5)
    return 1.0 - 0.75 * cover**3.4


def output(index: np.ndarray, tilt: float, azimuth: float, ratio: float) -> np.ndarray:
    """Output of a plane as a share of rated output (STEPS,), from the clear-sky index."""
    middle = TIMES + pd.Timedelta("7.5min")
    sun = pvlib.location.Location(LATITUDE_DEG, LONGITUDE_DEG).get_solarposition(middle)
    zenith, turn = sun["apparent_zenith"].to_numpy(), sun["azimuth"].to_numpy()
    ghi = pvlib.clearsky.haurwitz(sun["apparent_zenith"])["ghi"].to_numpy() * index
    split = pvlib.irradiance.erbs(ghi, zenith, middle)
    extra = pvlib.irradiance.get_extra_radiation(middle).to_numpy()
    light = pvlib.irradiance.get_total_irradiance(
        tilt, azimuth, zenith, turn, split["dni"], ghi, split["dhi"], dni_extra=extra, model="haydavies"
    )["poa_global"]
    air_c = 10.0 - 10.0 * np.cos((DAY - 20) / 365.0 * 2 * np.pi) - 4.0 * np.cos((HOUR - 3.0) / 24.0 * 2 * np.pi)
    cell_c = pvlib.temperature.faiman(np.nan_to_num(light), air_c, 2.0)
    # straight in the light, less 0.38 % for each degree of the cells above 25 °C; 14 % is lost on the way
    power = ratio * np.nan_to_num(light) / 1000.0 * (1.0 - 0.0038 * (cell_c - 25.0)) * 0.86
    return np.clip(power, 0.0, 1.0)


def house_kw(rng: np.random.Generator) -> np.ndarray:
    """Load of one house (STEPS,) [kW]: always-on, appliances started at random, in some a heat pump or a car."""
    load = np.full(STEPS, rng.uniform(0.08, 0.25)) + 0.08 * (rng.random(STEPS) < 0.4)
    size = rng.lognormal(0.0, 0.3)
    for _, kw, quarters, starts, peaks, weekend, winter in APPLIANCES:
        shape = np.full(STEPS, 0.1 / 24.0)
        for middle, spread, share in peaks:
            away = (HOUR - middle - rng.normal(0.0, 0.7) + 12.0) % 24.0 - 12.0
            shape += 0.9 * share * np.exp(-0.5 * (away / spread) ** 2) / (spread * np.sqrt(2 * np.pi))
        rate = size * starts * STEP_H * shape * np.where(WEEKEND, weekend, 1.0) * (1.0 + (winter - 1.0) * WINTER)
        load += kw * np.convolve(rng.poisson(rate), np.ones(quarters))[:STEPS]
    if rng.random() < 0.2:
        mild = 1.0 + 0.25 * np.cos((HOUR - 6.0) / 24.0 * 2 * np.pi) + 0.15 * wandering(rng, 24.0)[0]
        load += 2.2 * np.clip(WINTER - 0.15, 0.0, None) * np.clip(mild, 0.0, None)
    if rng.random() < 0.2:
        evening = 0.5 * STEP_H * np.exp(-0.5 * ((HOUR - 18.5) / 1.5) ** 2) / (1.5 * np.sqrt(2 * np.pi))
        load += 3.7 * np.minimum(np.convolve(rng.poisson(evening), np.ones(12))[:STEPS], 1.0)
    return load


def upstream_pct(rng: np.random.Generator, level: float, regional: np.ndarray) -> np.ndarray:
    """Voltage ahead of the transformer (STEPS,) [%]: season, time of day, regional sun, and slow wandering."""
    busy = np.exp(-0.5 * ((HOUR - 19.0) / 2.5) ** 2) + 0.5 * np.exp(-0.5 * ((HOUR - 8.0) / 2.0) ** 2)
    slow = 0.45 * wandering(rng, 60.0) + 0.35 * wandering(rng, 5.0) + 0.08 * wandering(rng, 0.5)
    smooth = np.convolve(regional, np.ones(9) / 9.0, mode="same")
    return level - 0.5 * WINTER - (0.7 + 0.4 * WINTER) * busy + 0.25 * WEEKEND + 0.6 * smooth + slow[0]


def below(net: pp.pandapowerNet, top: int) -> tuple[list[int], list[pd.Series], list[pd.Series]]:
    """Buses, lines and transformers that hang on bus `top`; switches between busbars end the walk."""
    trafos, lines = ([row for _, row in table.iterrows()] for table in (net.trafo, net.line))
    ends = [(row.hv_bus, row.lv_bus) for row in trafos] + [(row.from_bus, row.to_bus) for row in lines]
    reached, grown = {top}, True
    while grown:
        more = {bus for pair in ends if (pair[0] in reached) != (pair[1] in reached) for bus in pair}
        grown = bool(more - reached)
        reached |= more
    buses = sorted(int(bus) for bus in reached)
    return buses, [row for row in lines if row.from_bus in reached], [row for row in trafos if row.lv_bus in reached]


def line_array(lines: list[pd.Series], node_of: dict[int, int], first: int) -> np.ndarray:
    """Lines for power-grid-model, numbered from `first` on."""
    line = pgm.initialize_array("input", "line", len(lines))
    line["id"] = first + np.arange(len(lines))
    for k, row in enumerate(lines):
        line["from_node"][k], line["to_node"][k] = node_of[row.from_bus], node_of[row.to_bus]
        line["r1"][k] = row.r_ohm_per_km * row.length_km / row.parallel
        line["x1"][k] = row.x_ohm_per_km * row.length_km / row.parallel
        line["c1"][k] = row.c_nf_per_km * 1e-9 * row.length_km * row.parallel
    line["from_status"] = line["to_status"] = 1
    line["tan1"], line["i_n"] = 0.0, 1e3
    return line


def transformer_array(trafos: list[pd.Series], node_of: dict[int, int], first: int) -> np.ndarray:
    """Transformers for power-grid-model at their middle tap, numbered from `first` on."""
    trafo = pgm.initialize_array("input", "transformer", len(trafos))
    trafo["id"] = first + np.arange(len(trafos))
    for k, row in enumerate(trafos):
        trafo["from_node"][k], trafo["to_node"][k] = node_of[row.hv_bus], node_of[row.lv_bus]
        trafo["u1"][k], trafo["u2"][k], trafo["sn"][k] = row.vn_hv_kv * 1e3, row.vn_lv_kv * 1e3, row.sn_mva * 1e6
        trafo["uk"][k], trafo["pk"][k] = row.vk_percent / 100, row.vkr_percent / 100 * row.sn_mva * 1e6
        trafo["i0"][k], trafo["p0"][k] = row.i0_percent / 100, row.pfe_kw * 1e3
        trafo["clock"][k] = row.shift_degree / 30
    trafo["from_status"] = trafo["to_status"] = 1
    trafo["winding_from"], trafo["winding_to"], trafo["tap_side"] = 2, 1, 0
    trafo["tap_pos"] = trafo["tap_min"] = trafo["tap_max"] = trafo["tap_nom"] = 0
    trafo["tap_size"] = 0.0
    return trafo


def model_of(net: pp.pandapowerNet, top: int) -> tuple[pgm.PowerGridModel, dict[int, int], list[int]]:
    """The radial network below bus `top` for power-grid-model, its node ids, and the buses of its loads in order."""
    buses, lines, trafos = below(net, top)
    node_of = {bus: k for k, bus in enumerate(buses)}
    node = pgm.initialize_array("input", "node", len(buses))
    node["id"], node["u_rated"] = np.arange(len(buses)), net.bus.vn_kv[buses].to_numpy() * 1e3
    line = line_array(lines, node_of, len(buses))
    trafo = transformer_array(trafos, node_of, len(buses) + len(lines))
    at = [int(bus) for bus in net.load.bus if int(bus) in node_of]
    first = len(buses) + len(lines) + len(trafos)
    load = pgm.initialize_array("input", "sym_load", len(at))
    load["id"], load["node"] = first + np.arange(len(at)), [node_of[bus] for bus in at]
    load["status"], load["type"], load["p_specified"], load["q_specified"] = 1, 0, 0.0, 0.0
    source = pgm.initialize_array("input", "source", 1)
    source["id"], source["node"], source["status"] = first + len(at), node_of[top], 1
    source["u_ref"], source["sk"] = 1.0, 1e20
    data = {"node": node, "line": line, "transformer": trafo, "sym_load": load, "source": source}
    return pgm.PowerGridModel(data), node_of, at


def solved(model: pgm.PowerGridModel, net_kw: np.ndarray, q_kvar: np.ndarray, u_ref: np.ndarray) -> np.ndarray:
    """Voltages of all nodes (STEPS, nodes) [pu] by one batch of power flows a month."""
    ids = model.all_component_count
    first = ids["node"] + ids["line"] + ids["transformer"]
    found = []
    for rows in np.array_split(np.arange(STEPS), 36):
        load = pgm.initialize_array("update", "sym_load", (rows.size, net_kw.shape[0]))
        load["id"] = np.arange(first, first + net_kw.shape[0])
        load["p_specified"], load["q_specified"] = net_kw[:, rows].T * 1e3, q_kvar[:, rows].T * 1e3
        source = pgm.initialize_array("update", "source", (rows.size, 1))
        source["id"], source["u_ref"] = first + net_kw.shape[0], u_ref[rows, None]
        answer = model.calculate_power_flow(
            update_data={"sym_load": load, "source": source},
            output_component_types={"node": ["u_pu"]},
            error_tolerance=1e-12,
        )
        found.append(answer["node"]["u_pu"])
    return np.concatenate(found)


def check(
    net: pp.pandapowerNet, top: int, at: list[int], kw: np.ndarray, kvar: np.ndarray, u: np.ndarray
) -> np.ndarray:
    """Voltages by pandapower at one step, by bus [pu]."""
    net.load["p_mw"], net.load["q_mvar"] = 0.0, 0.0
    for bus, p, q in zip(at, kw, kvar, strict=True):
        net.load.loc[net.load.bus == bus, ["p_mw", "q_mvar"]] = p / 1e3, q / 1e3
    net.ext_grid["vm_pu"] = float(u)
    pp.runpp(net, tolerance_mva=1e-10, trafo_model="pi", numba=False)
    return net.res_bus.vm_pu


def house_loads(
    place: Village, houses: int, solar: bool, index: np.ndarray, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Active power drawn at a node less its sun [kW], and reactive power [kvar], both (STEPS,)."""
    load = sum(house_kw(rng) for _ in range(houses))
    net_kw = load.copy()
    for _ in range(houses if solar else 0):
        if rng.random() < place.solar_share:
            plane = (rng.uniform(15, 42), rng.uniform(115, 245), rng.uniform(1.0, 1.3))
            own = np.clip(index * (1.0 + 0.08 * wandering(rng, 0.3)[0]), 0.0, 1.0)
            net_kw -= rng.uniform(*place.solar_kw) * output(own, *plane)
    return net_kw, 0.2 * load


def village(place: Village, rng: np.random.Generator) -> None:
    """Solve one network's years and write its file."""
    index = sky(rng)
    random.seed(SEED)  # some of these networks draw the order of their cables' lengths
    net = getattr(networks, place.make)()
    top = int(net.bus.index[net.bus.name == "Bus R0"][0]) if place.houses_kw else int(net.ext_grid.bus.iloc[0])
    model, node_of, at = model_of(net, top)
    kept = [int(net.bus.index[net.bus.name == name][0]) for name in place.nodes]
    net_kw, q_kvar = np.zeros((len(at), STEPS)), np.zeros((len(at), STEPS))
    for row, bus in enumerate(at):
        kw = float(net.load.p_mw[net.load.bus == bus].iloc[0]) * 1e3
        houses = 1 if place.houses_kw is None else max(1, round(kw / place.houses_kw))
        net_kw[row], q_kvar[row] = house_loads(place, houses, bus not in kept, index, rng)
    own_f = output(index, 30.0, 180.0, 1.2)
    mv_pct = upstream_pct(rng, place.level_pct, own_f)
    u_pu = solved(model, net_kw, q_kvar, mv_pct / 100.0)
    worst = 0.0
    for step in rng.integers(0, STEPS, 6):
        other = check(net, top, at, net_kw[:, step], q_kvar[:, step], mv_pct[step] / 100.0)
        worst = max(worst, *(abs(other[bus] - u_pu[step, node_of[bus]]) for bus in kept))
    print(f"{place.name}: mean clear-sky index {index.mean():.3f}, farthest from pandapower {worst:.1e} pu")
    write(place, own_f, [u_pu[:, node_of[bus]] * 100.0 for bus in kept])


def write(place: Village, own_f: np.ndarray, voltages_pct: list[np.ndarray]) -> None:
    """Write output and voltages as whole numbers."""
    columns = {"f": pa.array(np.round(own_f * 1e4).astype(np.int32))}
    for name, v_pct in zip(place.nodes, voltages_pct, strict=True):
        whole = np.round((v_pct - 100.0) * 1e3).astype(np.int32)
        columns[name.removeprefix("Bus ").removeprefix("bus_")] = pa.array(whole)
        print(f"{place.name} {name}: mean {v_pct.mean():.2f} max {v_pct.max():.2f} min {v_pct.min():.2f} %")
    pq.write_table(
        pa.table(columns),
        Path(__file__).with_name(f"{place.name}.parquet"),
        compression="zstd",
        compression_level=19,
        use_dictionary=False,
        column_encoding=dict.fromkeys(columns, "DELTA_BINARY_PACKED"),
        write_statistics=False,
    )


def main() -> None:
    """Make the years of each network."""
    packages = {name: version(name) for name in ("pandapower", "power-grid-model", "pvlib", "numpy")}
    print(packages)
    for number, place in enumerate(VILLAGES):
        village(place, np.random.default_rng([SEED, number]))


if __name__ == "__main__":
    main()
