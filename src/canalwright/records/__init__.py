"""Records: what was done, by whom, with which instrument; nothing is lost or changed untraced.

`Store.open` is the door; `cases`, `visits`, `documents`, `lives`, `stock` and `statistics` hold
what one does with records; `doctor`, `backup` and `restore` keep them safe.
"""

from canalwright.records.store import LOCAL_ACTOR, Reading, Store, Writing

__all__ = ["LOCAL_ACTOR", "Reading", "Store", "Writing"]
