Dear operator,
please cut this one by hand.
