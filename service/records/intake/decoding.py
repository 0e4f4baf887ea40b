"""Photos decoded in a process of their own, one at a time, with limits on memory and time.

A file of half a megabyte can ask for gigabytes or for minutes; that ends the other process, is told
as that photo's complaint, and the next photo finds a new one.
"""

from __future__ import annotations

import atexit
import os
import subprocess
import sys
import threading
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from PIL import Image

from classifier.messages import Doubt
from classifier.photo import MOST_BYTES, WORKING_SIDE, Photo, PhotoError
from service.records.intake.frames import read_frame, write_frame

MEMORY = 480_000_000  # bytes beyond what the process has before it decodes
SECONDS = 30.0
MOST_HELD = 60_000_000  # bytes that it may still hold after a photo
MOST_ANSWER = max(MOST_BYTES * 4, 3 * (2 * WORKING_SIDE + 2) ** 2)


class Decoder:
    """The other process, begun when it is first needed."""

    def __init__(self, memory: int = MEMORY, seconds: float = SECONDS) -> None:
        self.memory, self.seconds = memory, seconds
        self.turn = threading.Semaphore(1)  # so many photos are decoded at once
        self.process: subprocess.Popen[bytes] | None = None

    def begin(self) -> subprocess.Popen[bytes]:
        """Return the process, begun anew if it has ended."""
        if self.process is None or self.process.poll() is not None:
            module = "service.records.intake.decoder_process"
            # With one thread: each would set memory aside for itself.
            quiet = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "MALLOC_ARENA_MAX": "2"}

            self.process = subprocess.Popen(  # noqa: S603
                [sys.executable, "-P", "-m", module, str(self.memory)],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                env={**os.environ, **quiet, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
                start_new_session=True,  # Ctrl-C is for whoever asks
            )
        return self.process

    def ask(self, job: str, said: Mapping[str, Any], data: bytes) -> tuple[dict[str, Any], bytes]:
        """Return what comes of a job. Raises PhotoError, also where it took too much."""
        with self.turn:
            process = self.begin()
            assert process.stdin is not None
            assert process.stdout is not None
            late = threading.Event()
            clock = threading.Timer(self.seconds, self.stop, (process, late))
            clock.daemon = True
            clock.start()
            try:
                write_frame(process.stdin, {"job": job, **said}, data)
                found = read_frame(process.stdout, MOST_ANSWER)
            except (OSError, ValueError):
                found = None
            finally:
                clock.cancel()
            if found is None:
                self.end()
                raise PhotoError("photo_too_slow" if late.is_set() else "photo_too_costly")
            reply, answer = found
            if reply.get("held", 0) > MOST_HELD:  # what is left over would be lacking to the next
                self.end()
        if "error" in reply:
            code, values = reply["error"]
            raise PhotoError(code, **values)
        return reply["answer"], answer

    def stop(self, process: subprocess.Popen[bytes], late: threading.Event) -> None:
        """End a process that takes too long."""
        late.set()
        process.kill()

    def end(self) -> None:
        """End the process, if there is one."""
        process, self.process = self.process, None
        if process is None:
            return
        process.kill()
        process.wait()
        for pipe in (process.stdin, process.stdout):
            if pipe is not None:
                try:
                    pipe.close()
                except OSError:  # what was still to be written has nobody to read it
                    continue


DECODER = Decoder()
atexit.register(DECODER.end)


def prepare(name: str, data: bytes, codes: bool) -> tuple[dict[str, Any], bytes]:
    """Return what intake asks of a photo, and its bytes without metadata. Raises PhotoError."""
    found, clean = DECODER.ask("prepare", {"name": name, "codes": codes}, data)
    found["taken"] = datetime.fromisoformat(found["taken"]) if found["taken"] else None
    return found, clean


def codes_of(name: str, data: bytes) -> list[str]:
    """Return the codes on a photographed label. Raises PhotoError."""
    return list(DECODER.ask("codes", {"name": name}, data)[0]["codes"])


def picture_of(name: str, data: bytes) -> Photo:
    """Return a decoded photo. Raises PhotoError."""
    found, pixels = DECODER.ask("picture", {"name": name}, data)
    image = Image.frombytes("RGB", tuple(found["size"]), pixels)
    remarks = tuple(Doubt(code, **values) for code, values in found["remarks"])
    return Photo(name, image, found["width"], found["height"], remarks)
