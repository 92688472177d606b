"""The stress campaign: surveys from benches that do not follow the model, held against the truth.

    python -m tests.stress --machines 100 --only form --bench rough --json

Machines are deformed by a geometry of this campaign's own (`world`), read by hands and instruments
with the faults of a bench (`effects`, `mistakes`), solved by the function that `plumbelt solve`
calls, corrected once, and compared with what is true (`judging`).  Nothing here is taken from the
estimator or from the product's geometry.
"""
