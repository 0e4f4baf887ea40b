"""Words of the records: what can come of a file on its way in, and what an account may do."""

from classifier.vocabulary import NONE
from genetics.evidence import SAID

WAITING, KEPT, THERE, REFUSED = "waiting", "kept", "already there", "refused"
STATES = (WAITING, KEPT, THERE, REFUSED)
SEEN = (*SAID, NONE)
"""What a person may see on a photo: a comb word, or another comb than the six."""
ROLES = ("look", "read", "decide", "own")
"""Of accounts: each may do what those before it may."""
