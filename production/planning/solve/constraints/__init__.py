"""The open work as a constraint model: proofs, bounds and parts put anew."""
