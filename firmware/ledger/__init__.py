"""The ledger: records that stay, whatever happens to the supply."""
