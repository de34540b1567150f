"""The invented yard of `baulk demo`: a broker of its own, real weather, and timbers with hidden truths."""
