"""What a technician works with: a machine on a link, pieces, readings, what is kept of them.

No printing and no questions here; `agent.face` shows and asks.
"""
