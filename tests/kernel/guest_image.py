"""The guest's kernel and root file system, made of what this computer has: Debian's kernel package (downloaded and
unpacked, never installed), busybox, the Python that runs the tests with the dependencies of laneproof, and its wheel.

What changes with the tree, the wheel and the code for the guest, is a small archive of its own that the kernel unpacks
over the large one, so that the large one is made once and kept in the user's cache, under a name made of its parts.
"""

from __future__ import annotations

import compileall
import hashlib
import importlib.metadata
import lzma
import os
import platform
import py_compile
import re
import shutil
import stat
import subprocess
import sys
import sysconfig
import tempfile
import zipfile
from collections.abc import Iterable
from pathlib import Path

from attrs import frozen

ROOT = Path(__file__).parents[2]
MODULES = (
    *("virtio_pci", "virtio_console", "aer_inject", "nvme", "vfio_iommu_type1", "vfio_pci"),
    *("dummy_hcd", "usb_f_fs"),  # a USB host and a device in one kernel, the device's functions in a process
    *("virtio_blk", "crc32c_generic", "ext4"),  # a disk and a file system on it
)
DEPENDENCIES = (
    *("numpy", "attrs", "cattrs", "typing_extensions", "rich", "markdown-it-py", "mdurl", "pygments"),
    *("pyserial", "pyusb"),
)
"""What the wheel imports to survey a host and open cards; scipy and jinja2 it imports only to judge and to report."""
UNUSED = re.compile(
    r"/(tests?|idlelib|tkinter|lib2to3|ensurepip|turtledemo|distutils|pydoc_data|config-3[^/]*|(site|dist)-packages"
    r"|_tkinter[^/]*|[^/]*\.opt-[12]\.pyc|[^/]*\.a)$"
)
SITE = "/site"
INIT = f"""#!/bin/busybox sh
/bin/busybox mkdir -p /proc /sys /dev /tmp
/bin/busybox mount -t proc proc /proc
/bin/busybox mount -t sysfs sysfs /sys
/bin/busybox mount -t devtmpfs devtmpfs /dev
/bin/busybox mount -t tracefs tracefs /sys/kernel/tracing
for module in $(/bin/busybox cat /modules/order); do /bin/busybox insmod /modules/$module; done
export PATH=/bin PYTHONPATH={SITE} PYTHONDONTWRITEBYTECODE=1 LANG=C.UTF-8
exec {sys.executable} {SITE}/guest_agent.py
"""


class Missing(Exception):
    """What a guest needs and this computer has not; the text is the reason to skip."""


@frozen
class Image:
    """What QEMU boots."""

    kernel: Path
    """The uncompressed ELF: a guest without hardware virtualisation takes seconds to unpack the usual one."""
    initramfs: Path


def image(folder: Path) -> Image:
    """The image, its changing part made anew in `folder`. Raises Missing."""
    system = _system()
    wheel = folder / "wheel"
    build = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", wheel]
    subprocess.run(build, cwd=ROOT, check=True, capture_output=True)
    (built,) = wheel.glob("*.whl")
    site = folder / "site"
    with zipfile.ZipFile(built) as archive:
        archive.extractall(site)
    here = Path(__file__).parent
    for name in (*sorted(here.glob("*in_guest.py")), here / "guest_agent.py", here / "guest_recording.py"):
        shutil.copyfile(name, site / name.name)
    compileall.compile_dir(site, quiet=2, invalidation_mode=py_compile.PycInvalidationMode.UNCHECKED_HASH)
    small = Archive()
    small.add_tree(site, SITE)
    initramfs = folder / "initramfs"
    initramfs.write_bytes((system / "initramfs").read_bytes() + small.bytes())
    return Image(system / "vmlinux", initramfs)


def _system() -> Path:
    """The folder of the part that is made once: `vmlinux` and `initramfs`."""
    if platform.machine() != "x86_64":
        raise Missing("the guest is an x86-64 computer, and this one is not")
    busybox = shutil.which("busybox")
    if busybox is None:
        raise Missing("busybox is not installed (package busybox-static)")
    package = _kernel_package()
    versions = [f"{name} {importlib.metadata.version(name)}" for name in DEPENDENCIES]
    parts = [package, sys.version, sys.executable, *versions, Path(__file__).read_text("utf-8")]
    key = hashlib.sha256("\n".join(parts).encode()).hexdigest()[:16]
    cache = cache_folder()
    made = cache / key
    if not made.exists():
        cache.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=cache) as work:
            _make_system(Path(work), Path(busybox))
            try:
                (Path(work) / "made").rename(made)
            except OSError:
                if not made.exists():  # by another run that was first
                    raise
    return made


def cache_folder() -> Path:
    """Where the user's cache keeps what is made once."""
    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "laneproof-kernel-tests"


def _kernel_package() -> str:
    """File name of the kernel package that apt would fetch, "linux-image-6.1.0-13-amd64_6.1.55-1_amd64.deb"."""
    uris = _apt("download", "--print-uris", _kernel_name())
    return uris.split()[1]


def _kernel_name() -> str:
    depends = re.search(r"Depends: (linux-image-\S+)", _output("apt-cache", "depends", "linux-image-amd64"))
    if depends is None:
        raise Missing("apt knows no package linux-image-amd64; try apt-get update")
    return depends[1]


def _apt(*arguments: str, folder: Path | None = None) -> str:
    return _output("apt-get", "-qq", *arguments, folder=folder)


def _output(*command: str, folder: Path | None = None) -> str:
    try:
        done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
    except FileNotFoundError:
        raise Missing(f"{command[0]} is not installed, so the guest's kernel cannot be fetched") from None
    if done.returncode:
        raise Missing(f"the guest's kernel cannot be fetched: {' '.join(command)} said {done.stderr.strip()[-300:]}")
    return done.stdout


def _make_system(work: Path, busybox: Path) -> None:
    made = work / "made"
    made.mkdir()
    _apt("download", _kernel_name(), folder=work)
    (package,) = work.glob("*.deb")
    _output("dpkg-deb", "-x", str(package), str(work / "kernel"))
    (vmlinuz,) = (work / "kernel/boot").glob("vmlinuz-*")
    (made / "vmlinux").write_bytes(_uncompressed(vmlinuz.read_bytes()))
    archive = Archive()
    archive.add("/init", INIT.encode(), mode=0o755)
    archive.add("/bin/busybox", busybox.read_bytes(), mode=0o755)
    for applet in _output(str(busybox), "--list").split():
        archive.add(f"/bin/{applet}", b"busybox", kind=stat.S_IFLNK)
    modules = _modules(work / "kernel")
    for module in modules:
        archive.add(f"/modules/{module.name}", module.read_bytes())
    archive.add("/modules/order", "\n".join(module.name for module in modules).encode())
    _add_python(archive)
    (made / "initramfs").write_bytes(archive.bytes())


def _uncompressed(vmlinuz: bytes) -> bytes:
    """The ELF kernel within: the one XZ stream of the file that is an ELF file."""
    at = -1
    while (at := vmlinuz.find(b"\xfd7zXZ\0", at + 1)) >= 0:
        try:
            kernel = lzma.LZMADecompressor(lzma.FORMAT_XZ).decompress(vmlinuz[at:])
        except lzma.LZMAError:
            continue
        if kernel.startswith(b"\x7fELF"):
            return kernel
    raise Missing("the kernel package holds no kernel that was compressed with XZ")


def _modules(kernel: Path) -> list[Path]:
    """The modules' files, each after those that it depends on, by its own .modinfo section."""
    files = {path.stem.replace("-", "_"): path for path in kernel.glob("**/*.ko")}
    order: list[Path] = []

    def add(name: str) -> None:
        file = files.get(name)
        if file is None:
            raise Missing(f"the kernel package has no module {name}")
        depends = re.search(rb"\0depends=([^\0]*)", file.read_bytes())
        for other in depends[1].decode().split(",") if depends else ():
            if other:
                add(other.replace("-", "_"))
        if file not in order:
            order.append(file)

    for name in MODULES:
        add(name)
    return order


def _add_python(archive: Archive) -> None:
    """Interpreter and standard library under their own paths, the dependencies' packages under SITE."""
    program = Path(sys.executable).resolve()
    archive.add_file(program)
    archive.add(sys.executable, str(program).encode(), kind=stat.S_IFLNK)  # where that is another name for it
    binaries = [program]
    library = Path(sysconfig.get_path("stdlib"))
    archive.add_tree(library, str(library))
    binaries += [path for path in library.glob("lib-dynload/*.so") if not UNUSED.search(str(path))]
    for name in DEPENDENCIES:
        for file in importlib.metadata.files(name) or ():
            if file.parts[0] == ".." or "tests" in file.parts:
                continue
            path = Path(str(file.locate()))
            archive.add_file(path, f"{SITE}/{file}")
            if ".so" in path.name:
                binaries.append(path)
    binaries.append(_libusb())
    archive.add_file(binaries[-1])
    for name in ("/sbin/ldconfig", "/etc/ld.so.cache"):  # how Python finds a library by its name
        archive.add_file(Path(name))
    for library_path in _shared_libraries(binaries):
        archive.add_file(library_path)


def _libusb() -> Path:
    """The library that pyusb loads."""
    found = re.search(r"libusb-1\.0\.so\.0 .*=> (/\S+)", _output("/sbin/ldconfig", "-p"))
    if found is None:
        raise Missing("libusb 1.0 is not installed (package libusb-1.0-0)")
    return Path(found[1])


def _shared_libraries(binaries: Iterable[Path]) -> set[Path]:
    """What the dynamic linker would load for them, from outside of the dependencies' own folders."""
    found: set[Path] = set()
    for binary in binaries:
        done = subprocess.run(["ldd", binary], capture_output=True, text=True, check=False)
        found.update(map(Path, re.findall(r"(?:=> |^\s*)(/\S+) \(0x", done.stdout, re.MULTILINE)))
    return {path for path in found if "site-packages" not in path.parts}


class Archive:
    """An initramfs: a cpio archive in the format "newc" (Linux Documentation/driver-api/early-userspace)."""

    def __init__(self) -> None:
        self._entries: list[bytes] = []
        self._have: set[str] = set()

    def add(self, name: str, data: bytes, *, kind: int = stat.S_IFREG, mode: int = 0o644, mtime_s: int = 0) -> None:
        """One file, or a symbolic link whose `data` is its target; a name that is there already is left."""
        parent = os.path.dirname(name)
        if name in self._have:
            return
        self._have.add(name)
        if parent != "/":
            self.add(parent, b"", kind=stat.S_IFDIR, mode=0o755)
        self._entries.append(self._entry(name[1:], data, kind | mode, mtime_s))

    def add_file(self, path: Path, name: str | None = None) -> None:
        """A file of this computer, with the time that its compiled twin is checked against."""
        status = path.stat()
        mode = stat.S_IMODE(status.st_mode)
        self.add(name or str(path), path.read_bytes(), mode=mode, mtime_s=int(status.st_mtime))

    def add_tree(self, folder: Path, name: str) -> None:
        for entry in sorted(folder.iterdir()):
            if UNUSED.search(str(entry)):
                continue
            if entry.is_dir():
                self.add_tree(entry, f"{name}/{entry.name}")
            elif entry.is_file():
                self.add_file(entry, f"{name}/{entry.name}")

    def bytes(self) -> bytes:
        whole = b"".join([*self._entries, self._entry("TRAILER!!!", b"", 0, 0)])
        return whole + bytes(-len(whole) % 512)

    def _entry(self, name: str, data: bytes, mode: int, mtime_s: int) -> bytes:
        stored = name.encode() + b"\0"
        number = len(self._entries) + 1
        fields = (number, mode, 0, 0, 1, mtime_s, len(data), 0, 0, 0, 0, len(stored), 0)
        head = b"070701" + b"".join(b"%08x" % field for field in fields) + stored
        return head + bytes(-len(head) % 4) + data + bytes(-len(data) % 4)
