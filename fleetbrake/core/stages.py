"""Names of stages that more than one part of the program must know."""

from typing import Final

#: Told when it begins, not only when it is done: nothing else moves in the meantime.
COMPILING: Final = "compiling the numerical kernels once, about a minute; later runs start at once"
