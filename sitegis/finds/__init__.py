"""What was dug, opened or located outdoors, found or not: evidence about the route."""
