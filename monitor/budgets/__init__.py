"""Pure engineering formulas, one file a subject. A budget returns its terms, not only its sum."""
