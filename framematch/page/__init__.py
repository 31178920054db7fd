"""The page in the browser: fields in, pictures out. No algorithm lives here.

Arithmetic stays in the rooms above. What one visitor typed lives in that visitor's session as a
:class:`framematch.page.draft.Draft`; what is worked out from it is kept by value and holds nothing else.
"""
