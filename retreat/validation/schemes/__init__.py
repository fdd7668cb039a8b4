"""How cases are held out: one module a scheme; the whole recipe is redone in each."""
