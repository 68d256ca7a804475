"""The records that travel: the input, and the block that each stage adds."""
