"""What verify, the standard alone and a library of others say of a folder."""

import logging
from pathlib import Path

import bagit

from pipeline.verify.bag import check_complete, check_sums, read_tags
from pipeline.verify.faults import BAG, Fault
from pipeline.verify.tree import Tree
from pipeline.verify.verify import check


def by_standard(folder: Path) -> list[Fault]:
    """Faults by RFC 8493 alone."""
    with Tree(folder) as tree:
        listing = tree.listing()
        read = read_tags(tree, listing)
        sums = check_sums(tree, listing, read, {}, lambda n: None)
        every = [*read.faults, *check_complete(read, listing), *sums]
    return [fault for fault in every if fault.breaks == BAG]


def referee_accepts(folder: Path) -> bool:
    logging.disable(logging.CRITICAL)
    try:
        bagit.Bag(str(folder)).validate()
    except Exception:  # it also ends in other ways, such as with what a codec raises
        return False
    finally:
        logging.disable(logging.NOTSET)
    return True


def told(folder: Path) -> set[str]:
    return {fault.problem.file for fault in check(folder).faults}


def referee_files(bundle: Path) -> set[str]:
    """Files that the referee names; '' where it names none."""
    logging.disable(logging.CRITICAL)
    try:
        bagit.Bag(str(bundle)).validate()
    except bagit.BagValidationError as error:
        return {getattr(detail, "path", "") for detail in error.details}
    except Exception:
        return {""}
    finally:
        logging.disable(logging.NOTSET)
    return set()
