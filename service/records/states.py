"""What can come of a file on its way in."""

WAITING, KEPT, THERE, REFUSED = "waiting", "kept", "already there", "refused"
STATES = (WAITING, KEPT, THERE, REFUSED)
