"""What the guests of `scripts/usb-guest` and `scripts/drive-guest` share: a Debian kernel for amd64, its modules, a shell.

Everything is fetched and unpacked below target/usb-guest and nothing of it is installed; a second run takes what is there.
"""
import gzip
import os
import pathlib
import re
import shutil
import subprocess
import sys

TOP = pathlib.Path(__file__).resolve().parent.parent.parent
CACHE = TOP / "target" / "usb-guest"
PROGRAM = TOP / "target" / "dist" / "x86_64" / "firmhand"
KERNEL = "linux-image-amd64"
# In the order of loading, with what they need.
MODULES = """vhci-hcd cdc-acm virtio_pci virtio_console xhci-pci usb-storage sd_mod sr_mod crct10dif_generic crc32c_generic ext4 loop
    vfat nls_cp437 nls_ascii""".split()

# Command or file, why, Debian packages.
NEEDS = [
    ("qemu-system-x86_64", "the machine that the kernel runs on", "qemu-system-x86"),
    ("busybox", "a shell for the guest", "busybox-static"),
    ("cpio", "a tool that packs the guest's files", "cpio"),
    ("depmod", "a tool that knows which module needs which", "kmod"),
]


def say(text):
    print(text, flush=True)


def install(needs, allowed):
    """Installs what is missing of `needs`, or says so and ends."""
    os.environ["PATH"] += ":/usr/sbin:/sbin"
    missing = [need for need in needs if not shutil.which(need[0])]
    for _, why, package in missing:
        say(f"missing: {why} (Debian: {package})")
    if not missing:
        return
    if not allowed or not shutil.which("apt-get"):
        say("install the above by hand, then run this again")
        sys.exit(2)
    root = [] if os.geteuid() == 0 else ["sudo"]
    packages = [package for *_, package in missing]
    say(f"installing with apt-get: {' '.join(packages)}")
    env = {**os.environ, "DEBIAN_FRONTEND": "noninteractive"}
    subprocess.run([*root, "apt-get", "update", "-qq"], check=True)
    command = [*root, "apt-get", "install", "-y", "-qq", "--no-install-recommends", *packages]
    subprocess.run(command, check=True, env=env, stdout=subprocess.DEVNULL)


def build_program(no_install):
    """Returns the static program, built now."""
    dist = [TOP / "scripts" / "dist", "x86_64", *(["--no-install"] if no_install else [])]
    if subprocess.run(dist, check=False).returncode:
        sys.exit(2)
    return PROGRAM


def output(command, **more):
    return subprocess.run(command, check=True, capture_output=True, text=True, **more).stdout


def download(package, folder):
    """Fetches a Debian package and unpacks it; installs nothing."""
    command = ["apt-get", "-qq", "-o", "APT::Sandbox::User=root", "download", package]
    if subprocess.run(command, cwd=folder, stderr=subprocess.DEVNULL, check=False).returncode != 0:
        subprocess.run(["apt-get", "-qq", "update"], check=False)
        subprocess.run(command, cwd=folder, check=True)
    [deb] = folder.glob(f"{package}_*.deb")
    subprocess.run(["dpkg-deb", "-x", deb, folder / "root"], check=True)


def add_program(program, root, name=""):
    """Copies a program, as `name` if that is given, and every shared library that it asks for."""
    (root / "bin").mkdir(parents=True, exist_ok=True)
    shutil.copy(program, root / "bin" / name)
    found = subprocess.run(["ldd", program], capture_output=True, text=True, check=False).stdout
    for library in re.findall(r"(/\S+)", found):
        to = root / library.lstrip("/")
        if not to.exists():
            to.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(library, to)


def add_shell(root, names):
    """Makes the folders that every guest has, and a shell with the commands named."""
    for folder in ["dev", "proc", "sys", "tmp", "run", "etc", "mnt"]:
        (root / folder).mkdir(parents=True, exist_ok=True)
    add_program(shutil.which("busybox"), root)
    for name in names:
        (root / "bin" / name).symlink_to("busybox")


def fetch():
    """Fetches the kernel, its modules (`files/modules`) and udevd (`files/lib`)."""
    complete = CACHE / "complete"
    if complete.exists() and complete.read_text() == " ".join(MODULES):
        return
    say("fetching Debian's kernel and udevd for the guest")
    shutil.rmtree(CACHE, ignore_errors=True)
    work, files = CACHE / "work", CACHE / "files"
    work.mkdir(parents=True)
    (files / "modules").mkdir(parents=True)
    depends = re.search(r"Depends: (linux-image-\S+)", output(["apt-cache", "depends", KERNEL]))
    if not depends:
        sys.exit(f"Debian's lists have no package {KERNEL}: `apt-get update` may be due")
    download(depends[1], work)
    root = work / "root"
    version = os.listdir(root / "lib" / "modules")[0]
    subprocess.run(["depmod", "-b", root, version], check=True, stderr=subprocess.DEVNULL)
    shutil.copy(root / "boot" / f"vmlinuz-{version}", CACHE / "vmlinuz")
    order = []
    for module in MODULES:
        shown = output(["modprobe", "-n", "--show-depends", "-d", root, "-S", version, module])
        # The machine's processor is too old for one of them.
        order += [path for path in re.findall(r"^insmod (\S+)", shown, re.M) if path not in order and "pclmul" not in path]
    for path in order:
        shutil.copy(path, files / "modules")
    (files / "modules" / "order").write_text("\n".join(os.path.basename(path) for path in order))
    for package in ["udev", "libkmod2"]:
        download(package, work)
    shutil.copytree(root / "lib" / "udev", files / "lib" / "udev")
    libraries = root / "usr" / "lib" / "x86_64-linux-gnu"
    os.environ["LD_LIBRARY_PATH"] = f"{libraries}:{root}/lib/x86_64-linux-gnu"
    add_program(root / "bin" / "udevadm", files)
    del os.environ["LD_LIBRARY_PATH"]
    for library in libraries.glob("libkmod.so.2"):
        shutil.copy(library, files / "lib")
    (files / "lib" / "systemd").mkdir()
    (files / "lib" / "systemd" / "systemd-udevd").symlink_to("../../bin/udevadm")
    shutil.rmtree(work)
    complete.write_text(" ".join(MODULES))


def pack(root, archive):
    """Packs a folder as the kernel unpacks it at its start."""
    names = "\n".join(str(path.relative_to(root)) for path in sorted(root.rglob("*")))
    packed = subprocess.run(["cpio", "-o", "-H", "newc", "--quiet"], cwd=root, input=names.encode(), capture_output=True, check=True)
    archive.write_bytes(gzip.compress(packed.stdout, 1))


def qemu(console, cores=1, memory=768):
    """The machine without devices of its own; `console` is what its serial port goes to."""
    # The guest has no other source of randomness, and a program that polls for it would wait for ever.
    command = ["qemu-system-x86_64", "-M", "q35", "-cpu", "Nehalem,+rdrand", "-accel", "tcg", "-m", str(memory), "-smp", str(cores)]
    return [*command, "-nodefaults", "-display", "none", "-no-reboot", "-nic", "none", "-serial", console, "-kernel", CACHE / "vmlinuz"]


def kernel_line(more):
    """The kernel's command line."""
    return f"console=ttyS0 quiet loglevel=1 panic=-1 random.trust_cpu=on {more}"
