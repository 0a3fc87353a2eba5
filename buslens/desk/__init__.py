"""The desk: the whole job in a browser, served by this machine to itself alone."""
