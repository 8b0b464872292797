"""Papers of the office, one module each. Same records in, same bytes out.

To add one: write a module with a ``build`` function that returns a ``Paper``, a
template in ``templates/documents/``, and a view in ``production.views.desk.documents``.
"""
