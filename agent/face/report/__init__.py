"""The report of a tune: one page that prints, needs nothing else, and can be signed.

Nothing here decides anything: it says what the estimate, the plan and the journals say.
"""
