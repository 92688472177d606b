"""A simulated controller with a simulated machine behind it: for rehearsals, and as a proof.

The controller answers on the wire in the words of its family, from live and stored settings of
its own; the plant turns its G-code into steps, turns and travel from first principles; a caliper
measures what was laid.  Nothing here imports the agent's geometry, drive train or estimate, so
that a tune that comes out right here was not right by construction.
"""
