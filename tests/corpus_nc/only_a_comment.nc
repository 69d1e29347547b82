(nothing to cut today)
