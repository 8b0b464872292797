"""Patients and visits taken in from a list that another program or a spreadsheet has written.

``sheet.py`` reads the text into rows, ``columns.py`` finds out what its columns are, ``dates.py``
how it writes dates; ``patients.py`` and ``visits.py`` judge each row without storing anything,
and ``taking.py`` stores what was judged good, or takes it back.
"""
