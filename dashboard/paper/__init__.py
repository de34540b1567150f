"""What is printed or taken away: labels, records, calendars, tables."""
