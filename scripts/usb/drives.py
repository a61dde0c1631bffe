"""The guest of `scripts/drive-guest`: a Debian kernel that runs from a stick, and sticks that are plugged into it and pulled out.

Commands go in and words come out by its serial port; sticks come and go by QEMU's machine protocol.
"""
import json
import os
import pathlib
import queue
import re
import shutil
import socket
import subprocess
import threading
import time

from machine import CACHE, TOP, add_program, add_shell, kernel_line, pack, qemu

SHELL = """sh mount umount insmod usleep reboot switch_root stty readlink cat basename mkdir cp rm ln dd kill sha256sum grep cut
        time sleep true""".split()


class Failed(Exception):
    """A scene that did not go as it should."""


def must(holds, what):
    if not holds:
        raise Failed(what)



class Guest:
    """The guest: runs shell lines in it, plugs sticks in and pulls them out."""

    def __init__(self, program, image, folder):
        self.folder, self.image = folder, image
        system = folder / "system"
        add_shell(system, SHELL)
        add_program(program, system, "firmhand")
        (system / "image").write_bytes(image)
        early = folder / "early"
        shutil.copytree(CACHE / "files" / "modules", early / "modules")
        add_shell(early, SHELL)
        for root in [system, early]:
            shutil.copy(TOP / "scripts" / "usb" / "drive.sh", root / "init")
            os.chmod(root / "init", 0o755)
        pack(early, folder / "initrd.gz")
        disk = ["mke2fs", "-q", "-t", "ext4", "-d", system, folder / "system.img", "160M"]
        subprocess.run(disk, check=True, stdout=subprocess.DEVNULL)
        command = [*qemu("stdio", cores=2, memory=1024), "-qmp", f"unix:{folder}/qmp,server,nowait", "-device", "qemu-xhci,id=xhci,p2=8,p3=8"]
        command += ["-blockdev", f"driver=raw,node-name=system,file.driver=file,file.filename={folder}/system.img"]
        command += ["-device", "usb-storage,drive=system,removable=on,serial=SYSTEM1,bus=xhci.0"]
        command += ["-initrd", folder / "initrd.gz", "-append", kernel_line("")]
        self.log = open(folder / "console.log", "w", encoding="utf-8")
        self.process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
        self.letters = queue.Queue()
        threading.Thread(target=self.listen, daemon=True).start()
        self.until("@@ ready\n", 240)
        self.monitor = socket.socket(socket.AF_UNIX)
        self.monitor.connect(f"{folder}/qmp")
        self.answers = self.monitor.makefile()
        self.answers.readline()
        self.lock = threading.Lock()
        self.ask("qmp_capabilities")

    def listen(self):
        while piece := self.process.stdout.read1(4096):
            text = piece.decode(errors="replace").replace("\r", "")
            self.log.write(text)
            self.log.flush()
            self.letters.put(text)
        self.letters.put(None)

    def until(self, end, seconds=150):
        """Returns what the guest says up to `end`, a pattern."""
        heard, limit = "", time.monotonic() + seconds
        while not (found := re.search(end, heard)):
            try:
                piece = self.letters.get(timeout=max(0.01, limit - time.monotonic()))
            except queue.Empty:
                raise Failed(f"not said within {seconds} s: {end!r}; only: {heard[-1500:]}") from None
            if piece is None:
                raise Failed(f"the guest is gone; it said: {heard[-1500:]}")
            heard += piece
        self.ended = found
        return heard[: found.start()]

    def type(self, line):
        self.process.stdin.write(line.encode() + b"\n")
        self.process.stdin.flush()

    def begin(self, line):
        self.log.write(f"# {line}\n")
        self.type(line)

    def end(self):
        """Returns exit status and words of what was begun."""
        said = self.until(r"@@ ended (\d+)\n")
        return int(self.ended[1]), said

    def run(self, line):
        self.begin(line)
        return self.end()

    def sure(self, line):
        status, said = self.run(line)
        must(status == 0, f"`{line}` ended with {status}: {said}")
        return said

    def expect(self, wanted, arguments, *words):
        """Runs the program where nobody can be asked."""
        status, said = self.run(f"firmhand {arguments} </dev/null")
        return expected(wanted, status, said, words)

    def ask(self, command, **arguments):
        """One command to QEMU; returns when a device that was to go is gone."""
        with self.lock:
            self.monitor.sendall(json.dumps({"execute": command, "arguments": arguments}).encode() + b"\n")
            wanted = {"return", "error"}
            for line in self.answers:
                answer = json.loads(line)
                must("error" not in answer, f"QEMU: {answer.get('error')}")
                if command == "device_del" and "return" in answer:
                    wanted = {"event"}
                gone = answer.get("event") == "DEVICE_DELETED" and "device" in answer["data"]
                if wanted & answer.keys() and ("event" not in answer or gone):
                    return

    def plug(self, serial, below, removable=True, read_only=False):
        """Plugs a stick in; `below` is a file of this computer, or what QEMU puts beneath the drive. Returns its node in the guest."""
        if isinstance(below, pathlib.Path):
            below = {"driver": "file", "filename": str(below)}
        layer = {"driver": "raw", "file": below} if below["driver"] in ("file", "nbd", "throttle") else below
        self.ask("blockdev-add", **{**layer, "node-name": serial, "read-only": read_only})
        stick = {"driver": "usb-storage", "id": serial, "drive": serial, "removable": removable, "serial": serial, "bus": "xhci.0"}
        self.ask("device_add", **stick, werror="report", rerror="report")
        wait = f"n=0; until node {serial} >/tmp/node || [ $n = 200 ]; do n=$((n+1)); usleep 50000; done; cat /tmp/node"
        name = self.sure(wait).strip()
        must(re.fullmatch(r"sd[b-z]", name), f"no drive for {serial}: {name!r}")
        return f"/dev/{name}"

    def pull(self, serial):
        self.ask("device_del", id=serial)
        self.ask("blockdev-del", **{"node-name": serial})

    def close(self):
        self.process.kill()
        self.process.wait()
        self.log.close()


def expected(wanted, status, said, words):
    must(status == wanted, f"exit status {status} and not {wanted}: {said}")
    flat = " ".join(said.split())
    for word in words:
        must(word in flat, f"it does not say {word!r}: {said}")
    return said
