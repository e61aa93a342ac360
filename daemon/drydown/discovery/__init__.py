"""Finding plugins: installed distributions (entry points) and files in the studio's own `plugins/` folder.

Everything found is an `Offer` with its `Origin`; everything that failed is a `Problem` that names who, where and why. A plugin that fails to load
switches off the recipes that need it, never silently; two offers of one name stop the start. The only importer of pluggy besides `api`.
"""

from drydown.discovery.finding import Discovery, discover
from drydown.discovery.loading import GROUP, Origin, load, load_as_it_is, new_manager, source_hash
from drydown.discovery.problems import BadPlugin, Problem, line_of, problem

__all__ = [
    "GROUP",
    "BadPlugin",
    "Discovery",
    "Origin",
    "Problem",
    "discover",
    "line_of",
    "load",
    "load_as_it_is",
    "new_manager",
    "problem",
    "source_hash",
]
