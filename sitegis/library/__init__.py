"""The public face of ``import sitegis``, and its tables."""
