"""What each rule of the workflow does for one session: read the previous step's files, write its own.

The front door and the engine import :mod:`.job` and :mod:`.words` only; the steps themselves
(:mod:`.by_name`) bring all libraries, and only workers need them.
"""
