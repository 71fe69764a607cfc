"""Templates carried out step by step: what Jinja2 itself gives, and an early end for what has none.

The outside check: Jinja2's own rendering (version 3.1) of the same templates over the same facts.
"""

from __future__ import annotations

import tracemalloc

import pytest
from jinja2 import StrictUndefined
from jinja2.sandbox import ImmutableSandboxedEnvironment

from pipeline.captions.template import check, explained, fields_of, render
from pipeline.recipe.recipe import load_recipe
from pipeline.steps import REGISTRY
from tests.patience import processor_seconds

FACTS = {"who": "Ada Nordlys and Eva Vale", "city": "Westerby", "words": "shoots, scores ,  wins", "home": "Gulls",
         "away": "", "date": "14 February", "time": "19:30", "frame": "TH1_0001", "credit": "50 % A"}  # fmt: skip
MAKE = ImmutableSandboxedEnvironment(undefined=StrictUndefined, autoescape=False)

# What photographers write.
GOOD = [
    "{{ who }} in {{ city }}.",
    "{{ home or 'Home' }} v {{ away or 'visitors' }}",
    "{{ home ~ ' - ' ~ away ~ 7 }}",
    "{% if away %}{{ away }}{% elif city %}{{ city }}{% else %}nobody{% endif %}",
    "{{ 'yes' if city else 'no' }}",
    "{% for w in words.split(',') %}{{ loop.index }}/{{ loop.length }} {{ w.strip() }}"
    "{% if not loop.last %}; {% endif %}{% else %}none{% endfor %}",
    "{% for w in [] %}x{% else %}none{% endfor %}",
    "{% for w in words.split(',') if 's' in w %}{{ w | trim | title }}{% endfor %}",
    "{% for a, b in [[1, 2], [3, 4]] %}{{ a + b }}{% endfor %}",
    "{% for c in 'abc' %}{{ loop.index0 }}{{ c }}{{ loop.first }}{{ loop.revindex }}{% endfor %}",
    "{% for x in [1, 2] %}{% set y = x %}{% endfor %}{{ y is defined }}",
    "{% set a = city | upper %}{{ a }}{% set b %}[{{ a }}]{% endset %}{{ b }}",
    "{% set b | upper %}x{{ city }}{% endset %}{{ b }}",
    "{% with a = 1, b = 2 %}{{ a + b }}{% endwith %}",
    "{% filter upper | replace('E', '3') %}in {{ city }}{% endfilter %}",
    "{{ words.split(',') | map('trim') | join(' + ') }}",
    "{{ [home, away, city] | select | join(', ') }}",
    "{{ [1, 2, 3, 4] | reject('odd') | list }}{{ [3, 1, 2] | sort | last }}{{ [3, 1] | max }}",
    "{{ ['a', 'a'] | unique | list }}",
    "{{ city | lower | capitalize | replace('w', 'W') | truncate(5) }}{{ city | length }}{{ who | wordcount }}",
    "{{ missing | default('none') }}{{ away | default('none', true) }}{{ missing is defined }}{{ city is string }}",
    "{{ city[:4] }}{{ city[-1] }}{{ city[::2] }}{{ [1, 2][0] }}{{ {'a': 1}['a'] }}{{ {'a': 1}.a }}",
    "{{ '%s at %02d' % (city, 7) }}{{ '%s' | format(city) }}{{ '%(a)s' | format(a=1) }}",
    "{{ 7 // 2 }}{{ 7 % 4 }}{{ 2 ** 10 }}{{ -3 }}{{ 1.5 * 2 }}{{ 'ab' * 3 }}{{ 1 < 2 <= 2 }}{{ 3 > 4 }}{{ 7 / 2 }}",
    "{{ 'a' in city or 'W' in city and not away }}{{ 'x' not in city }}{{ 1 != 2 }}{{ none }}{{ true }}",
    "{{ 'a' | center(5) }}|{{ city.center(12) }}|{{ '7'.zfill(3) }}|{{ 'a\nb' | indent(2) }}",
    "{{ 'a b c' | wordwrap(3) }}",
    "{{ 2.678 | round(1) }}{{ '12' | int + 1 }}{{ '1.5' | float }}{{ -4 | abs }}{{ 'x' | string }}",
    "{{ 'a<b' | e }}{{ ('a<b' | e) ~ '<' }}{{ '<b>x</b>' | striptags }}{{ 'a b' | urlencode }}{{ 'x' | safe }}",
    "{{ 'abc' | first }}{{ 'abc' | reverse }}{{ [1, 2] | reverse | join }}{{ 'abc' | list }}",
    "{{ range(3) | join(',') }}{{ ', '.join(['a', 'b']) }}{{ city.startswith('W') }}{{ 'a,b'.partition(',') }}",
    "{{ credit }} {# a remark #} {{- city -}}  {% raw %}{{ as it is }}{% endraw %}",
    "{{ (1, 'a') }}{{ ['a'] }}{{ {'a': 2} }}{{ [1] + [2] }}{{ 1 is odd }}{{ 4 is divisibleby(2) }}",
]


@pytest.mark.parametrize("source", GOOD)
def test_what_jinja_itself_gives(source: str) -> None:
    assert render(source, FACTS) == MAKE.from_string(source).render(FACTS)


@pytest.mark.parametrize(
    "source",
    ["{{ nothing }}", "{{ city.nothing }}", "{{ 1 / 0 }}", "{{ city + 1 }}", "{{ nothing.upper() }}",
    "{{ [] | first }}",
     "{% for x in 5 %}{% endfor %}", "{{ 'a' | join(1) | nothing }}", "{{ city", "{% if %}", "{{ city[99] }}",
     "{% for a, b in ['x'] %}{% endfor %}", "{{ 'é'.encode() }}"],
)  # fmt: skip
def test_what_is_wrong_is_said(source: str) -> None:
    with pytest.raises(ValueError, match="template"):
        check(source, tuple(FACTS))


DOUBLING = "{% set a = city %}" + "{% set a = a ~ a %}" * 60 + "{{ a }}"
ENDLESS = [
    "{{ 'a' * 10**10 }}", "{{ 10**10 * 'a' }}", "{{ [0] * 10**10 }}", "{{ (1, 2) * 10**9 }}", "{{ 10**10**10 }}",
    "{{ 2**(2**40) }}", "{{ 9**9**9**9 }}", "{{ (10**70) * (10**70) * (10**70) }}", "{{ 10**9 | string * 10**9 }}",
    "{{ '%999999999d' % 1 }}", "{{ '%.999999999f' % 1.5 }}", "{{ '%*d' % (999999999, 1) }}",
    "{{ '%999999999d' | format(1) }}", "{{ '%(a)999999999d' | format(a=1) }}", "{{ '{:>999999999}'.format(1) }}",
    "{{ 'a' | center(10**9) }}", "{{ 'a'.center(999999999) }}", "{{ 'a'.ljust(999999999) }}",
    "{{ 'a'.rjust(10**12) }}", "{{ '1'.zfill(999999999) }}", "{{ '\t'.expandtabs(999999999) }}",
    "{{ 'a' | center(width=999999999) }}", "{{ city | indent(999999999) }}",
    "{{ city | indent(width=10**9, first=true) }}",
    "{{ city | indent('x' * 19000, true) | indent('x' * 19000, true) }}",
    "{{ city | wordwrap(1, true, 'x' * 15000) }}", "{{ 'ab' | wordwrap(1, wrapstring='x' * 19000) }}",
    "{{ city | tojson(indent=999999999) }}", "{{ 1 | round(999999999) }}", "{{ 5 | round(-999999999) }}",
    "{{ 5 | round(precision=-999999999, method='floor') }}",
    "{{ [1] | batch(999999999, 'x') | list }}", "{{ [1] | slice(999999999) | list }}", "{{ range(10**9) | list }}",
    "{{ range(10**18) | length }}", "{{ range(0, 10**9, 1) | join }}", "{{ lipsum(n=10**6) }}", "{{ lipsum() }}",
    "{{ ('a' * 9999) | replace('a', 'b' * 9999) }}", "{{ ('a' * 9999).replace('a', 'b' * 9999) }}",
    "{{ city | replace('', 'b' * 19999) }}", "{{ range(9999) | join('x' * 9999) }}",
    "{{ ('x' * 9999).join('a' * 9999) }}",
    "{% for x in range(99999) %}a{% endfor %}", "{% for x in range(9999) %}{% endfor %}" * 9,
    "{% for a in range(9999) %}" * 3 + "{% endfor %}" * 3,
    "{% for a in 'x' * 19999 %}{{ city * 1000 }}{% endfor %}",
    "{% for a in range(900) %}" + "word " * 9000 + "{% endfor %}",
    DOUBLING, DOUBLING.replace(" ~ ", " + "), DOUBLING.replace("a ~ a", "[a, a]"), DOUBLING.replace("a ~ a", "(a, a)"),
    DOUBLING.replace("a ~ a", "{'x': a, 'y': a}"), DOUBLING.replace("a ~ a", "[a] + [a]"),
    "{% set a = city %}" + "{% set a %}{{ a }}{{ a }}{% endset %}" * 60, "{{ '%s%s' % (city * 9999, city) }}",
    "{% set a = 'x' * 15000 %}{{ ('%s' * 9000) % a }}", "{% set a = ('x', ) * 9000 %}{{ ('%s' * 9000) % a }}",
    "{% macro f(n) %}{{ f(n - 1) }}{{ f(n - 1) }}{% endmacro %}{{ f(99) }}",
    "{% for x in [[[[]]]] recursive %}{{ loop(x) }}{{ loop(x) }}{% endfor %}",
    "{% for x in range(5000) %}{{ ('ab' * 9000) | upper | lower }}{% endfor %}",
    "{% for x in range(5000) %}{% if ('ab' * 9000) == ('ab' * 9000) %}{% endif %}{% endfor %}",
    "{{ (" + "'ab'," * 4000 + ") | sort | unique | map('center', 15000) | join }}",
    "{{ 'x' | map('center', 10**9) | list }}",
    "{{ (10**60) | int * 10**60 * 10**60 }}", "{{ ('1' * 19999) | int(base=16) }}", "{{ ('9' * 4000) | int }}",
    "{% set ns = namespace(a=1) %}{% for x in range(9) %}{% set ns.a = ns.a * 10**9 %}{% endfor %}",
    "{{ cycler('a') }}", "{{ dict(a=1) }}", "{{ joiner() }}", "{% include 'x' %}", "{% import 'x' as y %}",
    "{% extends 'x' %}", "{% block a %}{% endblock %}", "{{ self }}", "{{ city.__class__.__mro__ }}",
    "{{ [city] | map(attribute='__class__') | list }}", "{{ [1, 2] | random }}", "{{ city | attr('__class__') }}",
    "{{ city.split.__self__ }}", "{{ city.format_map }}", "{{ range(*[9]) }}",
    "{{ " + "(" * 3000 + "1" + ")" * 3000 + " }}", "{{ " + "+".join("1" * 1) + "+1" * 9_000 + " }}",
    "{{ " + "[" * 900 + "]" * 900 + " }}", "{% if city %}" * 900 + "{% endif %}" * 900, "{{ -" + "-" * 5000 + "1 }}",
    "{{ 'a' if city else " * 500 + "1" + " }}", "x" * 99_999, "{{ city ~ '" + "x" * 90_000 + "' }}",
    "{{ city | " + "upper | " * 2400 + "lower }}",
    "{% if city == 'never' %}{{ lipsum.x }}{% endif %}{% block x %}{% endblock %}",
]  # fmt: skip


@pytest.mark.parametrize("source", ENDLESS, ids=range(len(ENDLESS)))
def test_what_never_ends_or_fills_the_memory_is_refused_at_once(source: str) -> None:
    """Also by check, which is where a person first meets it. Under a second of this process's own time, also on a busy
    machine."""
    said: list[str] = []

    def refused() -> None:
        with pytest.raises(ValueError, match="template") as raised:
            check(source, tuple(FACTS))
        said.append(str(raised.value))

    assert processor_seconds(refused) < 1.0 and len(said[0]) < 700
    assert "MemoryError" not in said[0]  # refused before it is made, not by the system


def test_the_worst_that_is_let_through_takes_little_memory() -> None:
    tracemalloc.start()
    try:
        for source in ENDLESS:
            with pytest.raises(Exception):  # noqa: B017  whatever it is
                render(source, FACTS)
        assert tracemalloc.get_traced_memory()[1] < 60_000_000
    finally:
        tracemalloc.stop()


def test_a_value_is_as_large_as_what_is_in_it() -> None:
    """A long fact is no fault of the template, and is said to be too long."""
    assert len(render("{{ city }}", {"city": "x" * 20_000})) == 20_000
    with pytest.raises(Exception, match="too much for one text") as refused:
        render("{{ city }}{{ city }}", {"city": "x" * 15_000})
    assert "template" in explained(refused.value)


def test_a_branch_that_the_trial_does_not_take_ends_too() -> None:
    """A template may do its harm only on the night's own facts."""
    source = "{% if city == 'Westerby' %}{{ 'a'.center(10**9) }}{% endif %}"
    check(source, ("city",))
    assert fields_of(source) == {"city"}

    def refused() -> None:
        with pytest.raises(Exception, match="too much for one text"):
            render(source, FACTS)

    assert processor_seconds(refused) < 0.2


def test_fields_that_the_template_makes_are_not_fields() -> None:
    assert fields_of("{% for w in words %}{{ w }}{{ loop.index }}{% endfor %}{{ range(3) }}{{ who }}") == {
        "words",
        "who",
    }


def test_through_a_recipe(tmp_path) -> None:
    """Of a caption, a headline and a file name, with the line."""
    text = """\
recipe: 1
deliveries:
  web:
    - caption: {template: "{{ 'a' * 10**10 }}", headline: "{{ lipsum() }}"}
    - save: {name: "{{ frame }}{% for x in range(9999999) %}{% endfor %}"}
"""
    (tmp_path / "recipe.yaml").write_text(text, encoding="utf-8")

    def refused() -> None:
        with pytest.raises(Exception, match=r"(?s)4:.*too much.*4:.*lipsum cannot be called,.*5:.*too much"):
            load_recipe(tmp_path / "recipe.yaml", REGISTRY)

    assert processor_seconds(refused) < 1
