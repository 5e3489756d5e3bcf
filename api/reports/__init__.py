"""Documents to take away: plain data in, bytes out (PDF, XLSX, CSV, JSON). No question is asked here and nothing is decided.

The same data gives the same bytes: the time a document was made is part of the data, and nothing else that changes gets in. The libraries
that write PDF and XLSX are imported when a document is made, so that a service that makes none does not carry them.
"""
