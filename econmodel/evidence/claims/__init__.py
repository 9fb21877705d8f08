"""The claim check: what stated figures imply, what contradicts what, and what would make "saves money" true."""

from econmodel.evidence.claims.check import ClaimCheck, check_claim, time_to_risk
from econmodel.evidence.claims.inputs import Claim
from econmodel.evidence.claims.paste import read_pasted

__all__ = ["Claim", "ClaimCheck", "check_claim", "read_pasted", "time_to_risk"]
