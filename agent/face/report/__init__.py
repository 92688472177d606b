"""The report of a tune: one page that prints, needs nothing else, and can be signed.

    tune        what a report is made from: a session, or a readings file
    story       what was sent and answered, from the journals
    reasons     what was not changed, and why
    digits      figures as they are printed
    content     everything the page says, as plain rows
    figures     the pictures of the page
    page        the page itself

Nothing here decides anything: it says what the estimate, the plan and the journals say.
"""
