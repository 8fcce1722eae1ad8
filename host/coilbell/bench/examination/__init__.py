"""Guided examination of one winding: from cautions to a verdict; a screen shows what `desk.Desk` asks.

::

    core    acts and verdict -> where the examination stands and what is asked next; nothing else comes in
    desk    keeps acts and rings as they happen, fits and judges them
    handover  the ring that ends it goes into the item's worksheet
    guide   what a face shows and what its answers do
"""
