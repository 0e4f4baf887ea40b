"""Words of the records: what can come of a file on its way in, and what an account may do."""

WAITING, KEPT, THERE, REFUSED = "waiting", "kept", "already there", "refused"
STATES = (WAITING, KEPT, THERE, REFUSED)
ROLES = ("look", "read", "decide", "own")
"""Of accounts: each may do what those before it may."""
