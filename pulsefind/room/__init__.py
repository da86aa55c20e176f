"""The room: the commands for somebody who only drags files, in a browser on this machine.

    browser -> doors -> guard -> app -> views, actions -> board -> shelf (files), work (processes)

The state lies in the files that the commands use: there is nothing else to lose.
"""
