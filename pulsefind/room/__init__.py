"""The room: everything the commands do, in a local browser window, for people who drag files and never type.

    browser -> doors -> guard -> app -> views, actions -> board -> shelf (files), work (processes)

All state lives in the files that the commands use, so there is nothing else to lose.
"""
