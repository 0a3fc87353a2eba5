"""Many captures: listed, judged by many workers, remembered in one ledger, compared with each other."""
