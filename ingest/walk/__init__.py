"""A walk along the timbers: what is expected of each, readings taken once however often they are sent."""
