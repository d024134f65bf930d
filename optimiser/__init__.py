"""Cheapest layouts of extra-low-voltage garden lighting, checked and proven as far as that goes.

::

    job.toml + survey.csv -> survey -> ground -> search -> plan -> documents
                                        electrics ^         ^ check (on its own)

``make_plan`` is the whole method on one page. The package knows nothing of a terminal; ``cli.py`` does.
"""
