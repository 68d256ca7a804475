"""What a user is told: the catalog of messages, the errors, and text safe to print."""
