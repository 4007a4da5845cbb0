"""Moves the time of day under other processes, as if the host's clock were set.

A library of a few lines, loaded before theirs, adds a number to every reading of the
time of day and to nothing else: monotonic time, sleeps and waits are the kernel's own.
A wait for a time of day, which a clock that is set would disturb, is disturbed. It
needs a C compiler; where there is none, `Shift.made_in` says so.
"""

import shutil
import struct
import subprocess
from pathlib import Path
from typing import Self

SOURCE = """
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <stdlib.h>
#include <sys/mman.h>
#include <sys/time.h>
#include <time.h>
#include <unistd.h>

static volatile long long *shift_s;

__attribute__((constructor)) static void begin(void)
{
    const char *file = getenv("SHIFT_FILE");
    int opened = file ? open(file, O_RDONLY) : -1;
    if (opened < 0)
        return;
    void *seen = mmap(0, sizeof *shift_s, PROT_READ, MAP_SHARED, opened, 0);
    close(opened);
    if (seen != MAP_FAILED)
        shift_s = seen;
}

int clock_gettime(clockid_t clock, struct timespec *now)
{
    static int (*real)(clockid_t, struct timespec *);
    if (!real)
        real = dlsym(RTLD_NEXT, "clock_gettime");
    int failed = real(clock, now);
    if (!failed && shift_s
        && (clock == CLOCK_REALTIME || clock == CLOCK_REALTIME_COARSE))
        now->tv_sec += *shift_s;
    return failed;
}

int gettimeofday(struct timeval *now, void *zone)
{
    struct timespec seen;
    (void)zone;
    int failed = clock_gettime(CLOCK_REALTIME, &seen);
    now->tv_sec = seen.tv_sec;
    now->tv_usec = seen.tv_nsec / 1000;
    return failed;
}

time_t time(time_t *now)
{
    struct timespec seen;
    clock_gettime(CLOCK_REALTIME, &seen);
    if (now)
        *now = seen.tv_sec;
    return seen.tv_sec;
}
"""

__all__ = ["Shift"]


class Shift:
    """By how much the time of day is off in the processes that have `environment`."""

    def __init__(self, library: Path, file: Path) -> None:
        self._file = file
        self.environment = {"LD_PRELOAD": str(library), "SHIFT_FILE": str(file)}
        file.write_bytes(struct.pack("=q", 0))

    @classmethod
    def made_in(cls, folder: Path) -> Self | None:
        """Build the library in a folder; None where there is no C compiler."""
        compiler = shutil.which("cc")
        if compiler is None:
            return None
        source, library = folder / "shift.c", folder / "shift.so"
        source.write_text(SOURCE, encoding="utf-8")
        command = [compiler, "-shared", "-fPIC", "-O1", "-o"]
        subprocess.run(  # noqa: S603 -- the compiler of this machine
            [*command, str(library), str(source), "-ldl"], check=True
        )
        return cls(library, folder / "shift_s")

    def set(self, by_s: int) -> None:
        """Have the clock be this many seconds ahead; behind, if negative."""
        with self._file.open("r+b") as file:
            file.write(struct.pack("=q", by_s))
