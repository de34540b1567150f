"""What goes in and out as files: tables of timbers and readings, backups."""
