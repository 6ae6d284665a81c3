"""The shape of the equations: one function, flat arguments, compiled unchanged, fast enough plain."""

from __future__ import annotations

import ast
import inspect
import textwrap
import time
from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest
from numba import njit

import coalminder.grill
from coalminder.grill import Kettle, KettleParameters, equations
from coalminder.grill.actuators import servo_move, vent_area_frac

PURE = {"__future__", "math", "random", "dataclasses", "collections", "typing", "difflib", "coalminder"}
PURE |= {"sys", "inspect", "re"}  # for printing tables, from the source itself


def test_parameters_are_unpacked_in_the_order_of_their_fields() -> None:
    tree = ast.parse(textwrap.dedent(inspect.getsource(equations.derivatives)))
    unpacked = next(
        node for node in ast.walk(tree)
        if isinstance(node, ast.Assign) and isinstance(node.value, ast.Name) and node.value.id == "p"
    )  # fmt: skip
    target = unpacked.targets[0]
    assert isinstance(target, ast.Tuple)
    names = [element.id for element in target.elts if isinstance(element, ast.Name)]
    assert names == [field.name for field in fields(KettleParameters)]


def test_every_parameter_states_what_it_is_and_where_its_number_comes_from() -> None:
    source = inspect.getsource(KettleParameters)
    comments = {
        line.split(":")[0].strip(): line.partition("#")[2]
        for line in source.splitlines()
        if ": float" in line
    }
    given = {"plugged_frac", "food_thickness_m"}  # facts of the scenario, not of nature
    for field in fields(KettleParameters):
        words = comments[field.name].split()
        assert field.name in given or words[0] in {"[H]", "[H,", "[S]", "[P]", "[E]"}, field.name
        assert len(words) > 1, field.name


def test_states_and_derivatives_have_the_same_length() -> None:
    kettle = Kettle()
    slope = equations.derivatives(kettle.state.y, kettle.parameters.flat(), kettle.inputs(0.0))
    assert len(slope) == len(equations.STATES) == equations.SIZE == len(kettle.state.y)


def test_package_imports_nothing_but_plain_python() -> None:
    folder = Path(inspect.getfile(coalminder.grill)).parent
    for path in folder.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                assert {alias.name.split(".")[0] for alias in node.names} <= PURE, path.name
            elif isinstance(node, ast.ImportFrom):
                assert (node.module or "").split(".")[0] in PURE, path.name


def test_equations_and_servo_compile_unchanged_and_give_the_same() -> None:
    rhs, step = njit(equations.derivatives), njit(equations.midpoint)
    kettle = Kettle(pit_c=93.0)
    kettle.add_food(1.6)
    kettle.add_wood(0.08)
    p, u = kettle.parameters.flat(), kettle.inputs(0.0)
    compiled, plain = np.array(kettle.state.y), list(kettle.state.y)
    half, scratch = compiled.copy(), list(plain)
    for _ in range(3600):
        step(rhs, compiled, half, p, u, 1.0)
        equations.midpoint(equations.derivatives, plain, scratch, p, u, 1.0)
    assert compiled == pytest.approx(np.array(plain), rel=1e-9, abs=1e-12)
    assert njit(servo_move)(0.2, 0.7, 0.1, 0.8, 0.03, 0.0) == servo_move(0.2, 0.7, 0.1, 0.8, 0.03, 0.0)
    assert njit(vent_area_frac)(0.3, 0.01, 1.1, 0.4) == vent_area_frac(0.3, 0.01, 1.1, 0.4)


def test_a_simulated_second_costs_at_most_70_microseconds() -> None:
    # the budget that lets 3 h at 1 Hz with the controller run in 3 s; processor time, best of five
    kettle = Kettle(pit_c=93.0)
    best = 1.0
    for _ in range(5):
        began = time.process_time()
        for _ in range(300):
            kettle.advance(1.0, 0.06, 0.5)
        best = min(best, (time.process_time() - began) / 300.0)
    assert best < 70e-6
