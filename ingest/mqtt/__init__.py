"""The broker: the listener's session, its spool, and what is published."""
