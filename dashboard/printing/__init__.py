"""Labels, sheets and records on paper."""
