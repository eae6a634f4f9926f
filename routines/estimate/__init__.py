"""From observations to numbers with honest uncertainties: one joint fit, and what to look at next."""
