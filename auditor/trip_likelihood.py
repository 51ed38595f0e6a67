"""How many days a year a system is expected to trip on grid overvoltage.

What
    Trip-days a year: days on which any of the system's inverters trips on overvoltage at least once. The figure to rank
    and add up by is the mean over all that the site's supply may be; beside it stand the middle, the range in which 80
    of 100 such sites lie, the chances of any trip in a year and in the 30 days after the as-of date, what uses the room
    below the first threshold, what causes the trip-days, and what meeting the wiring target would save.

Why
    A voltage rise over its target says that the wiring is too thin. Whether the inverters trip for it depends on how
    high the grid runs while the sun shines. The answer tells wiring from grid, and says whether mending the wiring
    pays before anyone drives out.

Formula
    All voltages are in percent of the nominal voltage across an inverter. A slot is five minutes.

    Voltage at the worst inverter
        V(t) = V0 + dev(month, hour) + beta * f(t) + D + A(t) + rise * p(t)
        V0 is the yearly mean at the point of common coupling without the system's own output; dev what a month and an
        hour add to it; beta what the neighbours' sun adds at full sun; D a normal day effect; A a first-order
        autoregression within the day; rise the exact rise of service and wiring at rated output and at the threshold.

    Output f
        Per month, days of equal chance from dull to clear: a day's clearness K has a density proportional to
        exp(g * K), g solved from the month's mean. In a slot the clearness index is
        kt = m(K, h) + s(K, h) * z, h the sun's height, z a normal sequence whose correlation over an hour is
        0.38 + 0.06 * cos(7.4 * K - 2.5); no slot is brighter than a clean clear sky. Beam and diffuse light, the tilted
        plane, the cover and the heat of the module give the light E and the cell temperature Tc;
        f = min(1, ratio * E / 1000 * (1 - 0.0035 * (Tc - 25)) * 0.88), ratio the modules' power over the inverters'.

    Supply
        V0 and beta are uncertain for each site: normal, of spread `site` and `beta_sd`; an uncertain beta counts as an
        uncertain level at the output at which trips mostly happen, sum(f^4) / sum(f^3).
        beta = R% * (the others' output) / (transformer rating) + the distribution feeder's part.
        A(t+1) = rho * A(t) + sigma * sqrt(1 - rho^2) * z, z standard normal.

    Up-crossing
        With u = (threshold - mean - D - rise * f) / sigma in this slot and the next, the chance to go from below to
        above is Phi(u_t) - Phi2(u_t, u_t+1; rho). With a level that stays it is 2 * T(u, sqrt((1 - rho) / (1 + rho))),
        T Owen's function.

    Peaks
        Above a slot's mean the largest voltage that outlasts the clearing time c is s(c) * E, E exponential of mean 1
        and one for all thresholds, s(c) = peak * ln(slot / c) / ln(slot / 1 s), nothing from c = slot on.
        A slot trips where V + s(c) * E passes a threshold:
        chance = exp(-(threshold - V) / s(c)) below the threshold, 1 above it.

    Ten-minute rules
        No peak; the mean of two slots is judged, of spread sigma * sqrt((1 + rho) / 2) and correlation
        rho * (1 + rho) / 2 from one mean to the next. The grid profile says whether the mean slides. The slot of a trip
        counts as one without output.

    Volt-watt and volt-var
        In closed loop on the slot's mean. V1 and V2 are the corners, P2 the output at V2, k = (1 - P2) / (V2 - V1):
        p = min(f, max(P2, (1 - k * (Voff - V1)) / (1 + k * rise))), Voff the voltage without own output. Volt-var takes
        q_max * X / R of the own rise off at full absorption, in proportion between its corners. Peaks come after.

    Above the first threshold, and after a trip
        The grid profile says whether a unit runs on until it is cleared, or ceases: then its rise is gone, and a trip
        needs Voff itself above the threshold. A trip falls in the middle of its slot, at most one a slot. After it Voff
        must stay below the return ceiling for the whole delay; then output ramps up: at most min(1, t / ramp) at the
        time t since the return.

    Units
        Each unit keeps one sensing offset for life, normal. The first to trip is the one with the largest of n offsets:
        its level lies higher by their mean largest, n * integral of x * phi(x) * Phi(x)^(n - 1), times the offsets'
        spread s, and the largest's own spread counts with the site's. Losses are a mean over units at four quantiles z
        of the offsets, each trip lowering the rise of the rest to a share Phi(z + 0.35 / s), where units stay off for a
        slot or longer.

    Trip-days and chances
        trip-days a year = sum over days of E[1 - P(no slot of the day trips)], E over the site and the day effect.
        chance of any trip in a year, or in 30 days = 1 - E_site[product over days of P(no trip on the day)]:
        days share their site, so that counting them as if they were independent overstates it.
        middle and range: the trip-days at the median, the 10th and the 90th percentile of the site's level.
        trips, episodes (trips less than an hour apart), lost and curtailed kWh: from the running, tripped, waiting,
        ramping chain solved as a distribution; nothing is drawn at random.
        by month and hour of day: expected trips, from the same chain.

    Cause
        room used: V0 in the sun + beta - 100, the service's rise, the wiring's rise, of what lies between nominal and
        the first threshold. Shares of the trip-days: Shapley values over supply, service and wiring; the share of part
        i is the sum over sets S of the others of |S|! * (2 - |S|)! / 3! * (days(S and i) - days(S)), over the whole.
        Without wiring or service its rise is zero; without supply the yearly mean is at most nominal, and beta is zero.
        saved at the target = trip-days - trip-days with the wiring's rise at its target.

    Readings
        Readings of seven days or more at the service or the main panel, 60 to 900 s long, replace what is assumed of
        the supply, figure by figure: level, months and hours, sigma, rho, day effect, peaks and beta. `site` becomes
        the fit's own standard error. What they cannot tell stays assumed and is named. Months with ten or more whole
        days of measured output take their days from them. Such a system has a table of its own.

    Updating by a log
        Two things are uncertain: the level of the site, normal as above, and a multiplier for whatever else the model
        has wrong, Gamma(a, a) of mean 1, a the policy's `prior_shape`. With O trip-days in the log, and E(z)
        expected in its hours, under the settings then in force, if the level lies z standard deviations from its mean:
        multiplier at z: Gamma(a + O, a + E(z));
        weight of z: phi(z) * (a / (a + E(z)))^a * (E(z) / (a + E(z)))^O, the negative binomial, scaled to sum 1;
        trip-days a year = sum over z of weight * days(z) * (a + O) / (a + E(z)); the middle and the 80 % range are
        quantiles of that mixture of Gammas;
        chance of none = sum over z of weight * (b / (b + H(z)))^(a + O), b = a + E(z), H(z) = -log of the chance of
        none at that level, of a year or the coming days.
        E(z) = sum over months of logged days * chance of a trip on a day of the month at z. A log that holds little
        of the year's expectation moves little; days without a log are no exposure. If the level is known this is
        Gamma(a + O, a + E). Trips, episodes, what trips lose and what the target saves change as the trip-days do;
        curtailment, hours over the threshold and headroom stay. The figures before the log stand beside.

    Tables
        Systems share tables by grid profile, supply and class of planes. What the sun adds to a system counts times the
        ratio of its own sum(f^4) / sum(f^3) to that of its class. Against solving the machine at the place
        itself the trip-days are within 2 % where there is one a year or more (3 % for a site that is known, under a
        ten-minute rule on a slow supply); the classes of planes leave 5 to 6 % (root mean square; 17 to 31 % at most).
        Trips, episodes and losses rest on fewer nodes and days: up to 300 trip-days a year trips are 2 to 5 % off and
        what they lose 4 to 8 % (root mean square); at most a tenth, under ten-minute rules a quarter, and losses 30 %.
        Hours in cessation or curtailed, where they are few, are up to 60 % off.

Reference
    D. B. Owen, Ann. Math. Statist. 27 (1956) 1075-1090. L. S. Shapley, Contributions to the Theory of Games II (1953).
    Days and slots of the sky: Bendt, Collares-Pereira and Rabl, Solar Energy 27 (1981) 1-5; Aguiar and
    Collares-Pereira, Solar Energy 49 (1992) 167-174. Light on the plane: Erbs, Klein and Duffie, Solar Energy 28 (1982)
    293-302; Hay and Davies (1980). Losses: NREL/TP-6A20-62641 (2014). Heat: SAND2004-3535 (2004), table 1.
    Updating: NUREG/CR-6823 (2003), 6.2.2.
    Readings: Newey and West, Econometrica 55 (1987) 703-708; Robinson, Statistical Science 6 (1991) 15-32.
    No public rate of overvoltage trips was found to anchor the prior: it is the policy's assumption, like the supply.

Causes
    A supply that runs high while the sun shines; the neighbours' sun on a shared transformer; a long or thin service
    drop, entrance, feeder, home run or trunk; a grid profile with a low threshold or a low return ceiling. A loose
    connection or an open neutral raises the voltage too, and is in no record.

What mends it
    The part that causes most: wiring as in voltage-rise; the service and the supply are the utility's. Readings at the
    service replace what is assumed of the supply. The profile changes only with the utility's consent, and never before
    neutral and connections are cleared.

Versions
    1: first version.
"""

from __future__ import annotations

NAME = "trip-likelihood"
TITLE = "How likely overvoltage trips are"
VERSION = 1


def documentation() -> str:
    """What the likelihood asks, its equations, where they come from and what mends a high one."""
    return (__doc__ or "").strip()
