"""How the reference pages are built: ``python -m sphinx -W tests/reference OUT``."""

import sitegis

project = "sitegis"
version = release = sitegis.__version__
extensions = ["sphinx.ext.autodoc", "numpydoc"]
numpydoc_show_class_members = False
autodoc_typehints = "none"  # the types stand in the docstrings, with shapes and units
html_theme = "basic"
html_show_sourcelink = False
