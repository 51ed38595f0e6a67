"""How likely a system is to trip on grid overvoltage: pure functions on arrays, which know no file and no policy.

The model. Voltages are in percent of the nominal voltage across the unit, so that systems on any service share tables.

  V_unit(t) = V0 + dev(month, hour) + β·f(t) + D + A(t) + rise·p(t)

  V0     annual mean of the no-export voltage at the PCC [%]; uncertain by a normal of spread `site_pct`
  dev    what the mean of a month and hour lies above V0 [%]
  f      output that sun and inverter allow [share of rated], a day's sequence from a class of day shapes
  β      what the neighbours' sun adds at full sun [%]; follows f; uncertain by `beta_sd_pct`
  D      day effect, normal of spread `day_pct` [%]
  A      AR(1) from slot to slot, stationary, spread `sigma_pct` [%], correlation ρ a slot
  rise   service and wiring to the worst unit at rated output and trip voltage [%]
  p      output after the ramp and the droops [share of rated]
  M(c)   peak above a slot's mean that outlasts the clearing time c: s(c)·E, E exponential; see `supply`

A slot (default 300 s) trips with the chance that V_unit + M(c) passes a threshold, or when a ten-minute mean does.
After a trip the voltage without own output must stay under the return ceiling for the delay; then output ramps up.

What is assumed, beyond the figures themselves:

  1. Days are independent given the site, and A starts each day anew from its stationary law.
  2. Noise is normal; peaks are exponential, independent from slot to slot given the slot's mean, one draw for all
     thresholds, with a scale that falls with the logarithm of the clearing time.
  3. The neighbours' sun follows f, and does not stop when this system trips.
  4. A trip falls in the middle of its slot; at most one a slot. A peak lasts seconds and makes no cessation.
  5. A ten-minute mean holds the unit's own voltage in two five-minute slots; the slot of a trip counts as one without
     output.
  6. A ceasing unit whose slot mean lies above the first threshold gives nothing for the whole slot.
  7. Droops act on the slot's mean; peaks are added after them. Volt-var lowers the voltage by a share of the own rise.
  8. All units stand at the rise of the worst; sensing offsets are normal, independent, and kept for life; see `units`.
  9. Episodes keep the time since a trip to a quarter of an hour, and do not count the wait for the ceiling.
 10. An uncertain β counts as an uncertain level, at the output fraction Σf⁴/Σf³ at which trips mostly happen.

A level that is uncertain by the day or by the site is one to an expectation; a chance over many days asks which.

Two ways to the figures. The machine (`machine`) follows all states and solves days side by side. The never-tripped
state alone (`survival`) gives the chance of a trip on a day for a whole line of levels at once, and with it the
headline and the chances; figures of a unit that never trips need no chain (`static`). A table holds the headline from
the one, all else as ratios from the other, and is plain arrays. One system can be solved without a table (`direct`).

From the inside outwards: `inputs`, `supply` (noise), `settle` (droops), `states` (delay and ramp), `window` (ten-minute
means), `slot` and `machine` (the chain over a day), `survival` and `static`; `grid` (where a table is solved), `lines`,
`year` and `ratios` (day effect and site), `block` and `table` (what is kept), `lookup` (systems in a table), `accuracy`
(its error), `units`, `attribution`, `results`, `direct`, `updating`; `crossing` holds the closed forms.
"""
