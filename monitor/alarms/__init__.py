"""Life cycle, inventory, root cause over the plan's topology, callouts: step(book, conditions, now)."""
