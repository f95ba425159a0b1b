"""The image is built from our Dockerfile as it is, and runs as compose.yaml starts it.

buildah (Debian) builds and runs without a daemon. A base image of Debian's own packages stands in
for the public one, which has the same release, Python and a pip: no registry of images is asked.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import struct
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pip
import pytest

from tests.pictures.samples import HEIC, picture
from tests.servers import free_port, program

ROOT = Path(__file__).parents[2]
DOCKER = ROOT / "docker"
IMAGE = "localhost/littoral:test"
#: What this machine's pip and certificates need inside of the build, where they are there.
SETTINGS = (
    "/etc/ssl/certs",
    "/usr/share/ca-certificates",
    "/usr/local/share/ca-certificates",
    "/etc/pip.conf",
    "/etc/xdg/pip",
)
#: Above its base, MB (10^6 bytes) of files; 147 now, and our own code grows.
MOST_MB = 150

needs_root = pytest.mark.skipif(os.geteuid() != 0, reason="mounts and changes roots: run as root")


def run(*command: str | Path, timeout: float = 900, **options: Any) -> str:
    done = subprocess.run(
        [str(word) for word in command],
        capture_output=True,
        text=True,
        timeout=timeout,
        **options,
    )
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-3000:]
    return done.stdout


@dataclass(frozen=True)
class Buildah:
    """buildah with a storage of its own."""

    folder: Path
    driver: str = "overlay"

    def __call__(self, *words: str | Path) -> str:
        """Run one of its commands; what it prints."""
        places = ("--root", self.folder / "root", "--runroot", self.folder / "run")
        command = (program("buildah"), *places, "--storage-driver", self.driver)
        return run(*command, *words, cwd=ROOT).strip()

    def mounted(self, image: str) -> tuple[str, Path]:
        """A container of an image, and where its files are."""
        container = self("from", "--pull-never", image)
        return container, Path(self("mount", container))


@pytest.mark.needs("buildah")
@needs_root
def test_buildah_builds(tmp_path: Path) -> None:
    (tmp_path / "Dockerfile").write_text("FROM scratch\nCOPY word /\nUSER 10001\n")
    (tmp_path / "word").write_text("invented")
    buildah = Buildah(tmp_path / "storage", "vfs")
    buildah("bud", "--isolation", "chroot", "--format", "docker", "-t", IMAGE, tmp_path)
    container, files = buildah.mounted(IMAGE)
    assert (files / "word").read_text() == "invented"
    buildah("rm", container)


@pytest.fixture(scope="module")
def buildah(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Buildah]:
    """Its storage with the base image and ours."""
    buildah = Buildah(tmp_path_factory.mktemp("images"))
    (public,) = set(re.findall(r"^FROM (\S+)", (DOCKER / "Dockerfile").read_text(), re.MULTILINE))
    base = buildah("from", "scratch")
    buildah("add", "--quiet", base, run("sh", "tests/bare_debian.sh", cwd=ROOT).strip(), "/")
    files = Path(buildah("mount", base))
    (files / "usr/local/bin/python").symlink_to("/usr/bin/python3")
    shutil.copytree(Path(pip.__file__).parent, files / "usr/lib/python3/dist-packages/pip")
    mirrors = run("sh", "tests/bare_debian.sh", "--sources", cwd=ROOT)
    (files / "etc/apt/sources.list").write_text(mirrors)
    buildah("commit", "--quiet", "--format", "docker", "--rm", base, f"docker.io/library/{public}")
    mounts = [f"--volume={one}:{one}:ro" for one in SETTINGS if Path(one).exists()]
    ignore = DOCKER / "Dockerfile.dockerignore"
    buildah(
        "bud", "--pull-never", "--isolation", "chroot", "--format", "docker", *mounts,
        f"--ignorefile={ignore}", "-f", DOCKER / "Dockerfile", "-t", IMAGE, ".",
    )  # fmt: skip
    yield buildah
    buildah("rm", "--all")


def files_in(folder: Path) -> dict[str, int]:
    """The files below a folder and their sizes, bytes."""
    return {
        str(one.relative_to(folder)): one.lstat().st_size
        for one in folder.rglob("*")
        if not one.is_dir() or one.is_symlink()
    }


def compiled_from_others(folder: Path) -> list[str]:
    """Compiled files that Python does not use, as their source has another time or size.

    The first 16 bytes of such a file are as PEP 552 has them.
    """
    found = []
    for one in folder.rglob("__pycache__/*.pyc"):
        _, flags, time_s, size = struct.unpack("<4I", one.read_bytes()[:16])
        source = (one.parents[1] / f"{one.name.partition('.')[0]}.py").stat()
        if flags or (time_s, size) != (int(source.st_mtime), source.st_size):
            found.append(str(one.relative_to(folder)))
    return found


#: In namespaces of its own, with the mounts of compose.yaml: the image's files read-only, two
#: places writable, no capability, no way to new ones. Any certificates do for those of the broker.
CONFINED = """
set -eu
root=$1
settings=$2
shift 2
touch "$root/etc/littoral/broker-ca.crt"
mount --bind "$root" "$root"
mount --bind "$settings" "$root/etc/littoral/littoral.toml"
mount --bind /etc/ssl/certs/ca-certificates.crt "$root/etc/littoral/broker-ca.crt"
mount -o remount,bind,ro "$root"
mount -t proc proc "$root/proc"
mount -t tmpfs -o mode=1777 tmpfs "$root/tmp"
mount -t tmpfs -o uid=10001,gid=10001,mode=700 tmpfs "$root/var/lib/littoral"
mount -t tmpfs -o mode=755 tmpfs "$root/dev"
for device in null zero urandom random; do
    touch "$root/dev/$device"
    mount --bind "/dev/$device" "$root/dev/$device"
done
exec chroot "$root" env -i PATH=/opt/littoral/bin:/usr/local/bin:/usr/bin:/bin \
    HOME=/var/lib/littoral PYTHONUNBUFFERED=1 PYTHONDONTWRITEBYTECODE=1 \
    setpriv --reuid 10001 --regid 10001 --clear-groups --inh-caps=-all --bounding-set=-all \
    --no-new-privs sh -c 'cd /var/lib/littoral && exec "$@"' sh "$@"
"""

STATE = """
import os
status = dict(line.split(":", 1) for line in open("/proc/self/status"))
caps = [int(status[name], 16) for name in ("CapEff", "CapBnd")]
print(os.getuid(), *caps, status["NoNewPrivs"].strip())
for place in ("/opt/littoral/x", "/etc/x", "/var/lib/littoral/x", "/tmp/x"):
    try:
        open(place, "w").close()
        print("w", place)
    except OSError as error:
        print("-", place)
"""

#: Waits for a port: to start a Python for each look takes the time that the service needs to start.
CONNECTS = """
import socket, sys, time
for _ in range(1200):
    if socket.socket().connect_ex(("127.0.0.1", int(sys.argv[1]))) == 0:
        break
    time.sleep(0.1)
"""

#: The demo's check, and the image's own health check meanwhile.
CHECKED = """
set -eu
http=$1
mqtt=$2
connects=$3
shift 3
if "$@" 2>/dev/null; then
    echo "healthy without a service"
    exit 1
fi
littoral demo --check --http-port "$http" --mqtt-port "$mqtt" &
demo=$!
python -c "$connects" "$http"
until "$@" 2>/dev/null; do
    kill -0 $demo 2>/dev/null || {
        echo "never healthy"
        exit 1
    }
    sleep 0.2
done
wait $demo
"""


@pytest.mark.slow
@pytest.mark.timeout(1200)
@needs_root
def test_the_image_is_small_and_runs_confined(
    buildah: Buildah, capfd: pytest.CaptureFixture[str]
) -> None:
    (public,) = set(re.findall(r"^FROM (\S+)", (DOCKER / "Dockerfile").read_text(), re.MULTILINE))
    config = json.loads(buildah("inspect", "--type", "image", IMAGE))["Docker"]["config"]
    assert (config["User"], config["Entrypoint"]) == ("10001:10001", ["littoral"])
    kind, *health = config["Healthcheck"]["Test"]
    assert kind == "CMD"
    assert set(config["Volumes"]) == {"/var/lib/littoral"}
    _, base = buildah.mounted(f"docker.io/library/{public}")
    container, root = buildah.mounted(IMAGE)
    before, after = files_in(base), files_in(root)
    size_mb = (sum(after.values()) - sum(before.values())) / 1e6
    with capfd.disabled():
        print(f"\nthe image: {size_mb:.0f} MB above its base")  # noqa: T201 - the figure is asked for
    assert size_mb < MOST_MB
    added = set(after) - set(before)
    elsewhere = {one for one in added if not one.startswith("opt/littoral/")}
    assert {one for one in elsewhere if "bin/" in one} == set(), "no program beside ours"
    parts = {part for one in added for part in Path(one).parts}
    assert not parts & {"tests", "pip", "setuptools", "binutils", "f2py"}
    assert compiled_from_others(root / "opt/littoral") == []
    # By the image's own configuration, as buildah reads it.
    started = buildah("run", "--isolation", "chroot", "--cap-drop", "ALL", container, "--",
                      "sh", "-c", "id -u; littoral --version")  # fmt: skip
    assert started.splitlines()[0] == "10001" and "littoral 0." in started
    # As compose.yaml starts it.
    confined = ("unshare", "--mount", "--pid", "--fork", "--kill-child", "sh", "-c", CONFINED, "sh")
    confined = (*confined, str(root), str(DOCKER / "littoral.toml"))
    state = run(*confined, "python", "-c", STATE).splitlines()
    assert state == [
        "10001 0 0 1", "- /opt/littoral/x", "- /etc/x", "w /var/lib/littoral/x", "w /tmp/x",
    ]  # fmt: skip
    # The steps at the head of compose.yaml.
    steps = "littoral check --create; littoral token create a --scope write; littoral check"
    checked = run(
        *confined, "env", "LITTORAL_CONFIG=/etc/littoral/littoral.toml", "sh", "-c", steps
    )
    assert checked.endswith("in order\n")
    # What was taken out of the image is nothing that reads a picture.
    reencode = "/opt/littoral/lib/python3.11/site-packages/service/pictures/reencode.py"
    for photograph in (picture("JPEG"), picture("PNG"), picture("WEBP"), HEIC):
        command = (*confined, "python", "-I", reencode, "50", "400", "30", "2048", "320")
        done = subprocess.run(command, input=photograph, capture_output=True, timeout=120)
        assert done.returncode == 0, done.stderr[-3000:]
        assert b"refused" not in done.stdout.partition(b"\n")[0], done.stdout[:200]
        assert done.stdout.count(b"\xff\xd8\xff") == 2  # the picture and its thumbnail, as JPEG
    http, mqtt = str(free_port()), str(free_port())
    asked = [word.replace(":8600/", f":{http}/") for word in health]
    assert asked != health
    run(*confined, "sh", "-c", CHECKED, "sh", http, mqtt, CONNECTS, *asked)
