"""Many captures: listed, checked by many workers, remembered in one ledger, compared with each other."""
