"""The firmware and its simulator, compiled once a session into a temporary folder."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from firmware.bench import FIRMWARE, HERE, Host, SimulatedBoard, require, run


@pytest.fixture(scope="session")
def built_firmware(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """The compiled firmware, and what the compiler and the size program said."""
    require("avr-gcc", "avr-size", "make")
    folder = tmp_path_factory.mktemp("firmware") / "source"
    shutil.copytree(FIRMWARE, folder)
    return folder / "firmware.elf", run("make", "firmware.elf", cwd=folder)


@pytest.fixture(scope="session")
def simulator(tmp_path_factory: pytest.TempPathFactory) -> Path:
    require("gcc", headers="/usr/include/simavr")
    program = tmp_path_factory.mktemp("simulator") / "simulated_board"
    flags = ["-O2", "-std=gnu11", "-Wall", "-Wextra", "-Werror", "-I/usr/include/simavr"]
    run("gcc", *flags, HERE / "simulated_board.c", "-o", program, "-lsimavr")
    return program


@pytest.fixture
def board(built_firmware: tuple[Path, str], simulator: Path) -> Iterator[SimulatedBoard]:
    """A board just switched on, running as fast as it goes."""
    running = SimulatedBoard(simulator, built_firmware[0])
    yield running
    running.close()


@pytest.fixture
def host(board: SimulatedBoard) -> Iterator[Host]:
    asking = Host(board.port)
    yield asking
    asking.close()
