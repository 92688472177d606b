"""The workshop: the records of many benches as one, in a database that they share.

Every bench works on its own SQLite record, with or without a network.  `exchange` carries what one
side lacks to the other, by the identity of rows; `server` is the shared PostgreSQL, `asking` the
few lines in which the two engines differ; the questions of a fleet are `fleet`, `life`, `series`,
`charts`, `comparison` and `capability`, and are asked of either engine.
"""
