"""YAML 1.2 files that a person writes: plain data, the place of every value, and problems in plain words.

Tags, anchors and aliases are refused: nothing here needs them, and a few lines of nested aliases can
stand for gigabytes. Scalars follow the core schema of YAML 1.2.2, section 10.3, so `country: NO` is text.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ruamel.yaml import YAML
from ruamel.yaml.error import MarkedYAMLError, YAMLError, YAMLStreamError

from pipeline.errors import InputError, Problem
from pipeline.plainwords import Loc, did_you_mean, explain

__all__ = ["SIZE_LIMIT", "Document", "did_you_mean", "load_yaml", "problems_of"]
