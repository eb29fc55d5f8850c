"""One read model that page, terminal, metrics and report all render, so that they cannot disagree."""
