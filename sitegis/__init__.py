"""Site surveys of building drains: from marks on a basement floor to where to dig.

The stages are the module names, in the order in which they run:
``read → place → line → exit → routes → score → dig → write``.
"""

__all__ = ["__version__"]
__version__ = "0.1.0"
