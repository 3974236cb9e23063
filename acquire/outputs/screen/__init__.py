"""The bench screen: pages for a browser at the bench, on a tablet, on a phone, under a camera.

    Live ──events──> browsers ──orders──> Desk

A page shows what the live hub tells; an order is one of a short list, checked like any other input. No
browser can name a file, a port or a command.
"""
