"""Units that neither our simulator nor our models have ever seen: to catch what fits only what it was built on.

A second generator, written without reading simulator/ or models/ and sharing nothing with them: other equations,
other parameters, other weather, other habits of people and gateways. It is for tests and benchmarks only.

The way of a unit: draws (its own random stream) -> climate -> design (which family of each part it has) -> faults and
people (what happens, when) -> thermal, battery, gas (minute by minute, all units at once) -> readiness (the truth) ->
sensors -> gateway -> history, fleet file, truth file. `python -m tests.strangers --help` says how to run it.

Axis order here is [time, unit], against the house's rule: the loops walk in time over all units at once, and a row must
lie together in memory or they take four times as long.
"""
