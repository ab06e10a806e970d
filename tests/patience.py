"""How long a test waits for what must come: the limit ends what hangs and decides nothing else.

Every wait ends as soon as what it waits for is there, so that a long limit costs nothing. A machine
that is busy with other work takes ten times as long as a quiet one.
"""

PATIENCE_S = 300.0
