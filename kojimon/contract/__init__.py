"""What passes between the parts of kojimon, as typed values: inward of everything that says or judges something.

JSON is made of the records once, at the door.
"""
