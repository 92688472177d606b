"""The bench of one machine: all that is known of it, folded from the events of the record.

    bench = fold(events)

A bench is a frozen value.  What happens is appended as an event (`book`), and nothing else in
plumbelt keeps what a later process would need: shell, one-shot verbs, scripts and reports are
views of the same value.
"""
