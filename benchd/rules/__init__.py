"""Rule tables: schema, loading with located errors, lints, and matching of codes and text."""

from benchd.rules.lints import Lint
from benchd.rules.match import Matcher
from benchd.rules.schema import RuleTable
from benchd.rules.table import check_text, load_text

__all__ = ["Lint", "Matcher", "RuleTable", "check_text", "load_text"]
