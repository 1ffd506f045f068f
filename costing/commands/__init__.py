"""What each command does: `records` keeps and costs, `decisions` answers what to do."""
