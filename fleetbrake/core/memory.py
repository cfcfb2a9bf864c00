"""How a process that reads recordings keeps the memory that its arrays give back."""

import numpy as np

#: Just under 32 MiB: glibc takes no greater array as a reason to keep more (``mallopt(3)``, M_MMAP_THRESHOLD).
_NUMBERS = 4_150_000


def keep_what_is_freed() -> None:
    """Let arrays of up to 32 MiB come out of memory that earlier ones gave back, not freshly from the system each time.

    glibc hands an array of more than 128 KiB back to the system when it is freed, and every page of the next one is
    fetched and zeroed again: some thousand a batch. Once a great array was freed it keeps such memory instead. Other
    allocators go their own way; nothing is written, so that it costs nothing.
    """
    great = np.empty(_NUMBERS)
    del great
