"""A small index of packages in the layout of the simple repository API (PEP 503), written into a folder.

``python -m tests.packaging.package_index FOLDER NAME==VERSION...`` writes one of empty packages.
"""

import hashlib
import io
import sys
import tarfile
import zipfile
from pathlib import Path


class Index:
    """A folder of packages that pip can use as an index, and the lock lines of what is in it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.lines: dict[str, str] = {}

    @property
    def url(self) -> str:
        return self.folder.as_uri()

    def wheel(self, name: str, version: str, code: str = "", needs: str = "") -> None:
        module = name.replace("-", "_")
        metadata = f"Metadata-Version: 2.1\nName: {name}\nVersion: {version}\nProvides-Extra: more\n{needs}"
        files = {
            f"{module}.py": code,
            f"{module}-{version}.dist-info/METADATA": metadata,
            f"{module}-{version}.dist-info/WHEEL": "Wheel-Version: 1.0\nRoot-Is-Purelib: true\nTag: py3-none-any\n",
        }
        record = f"{module}-{version}.dist-info/RECORD"
        packed = io.BytesIO()
        with zipfile.ZipFile(packed, "w") as archive:
            for path, text in files.items():
                archive.writestr(path, text)
            archive.writestr(record, "".join(f"{path},,\n" for path in [*files, record]))
        self._add(name, version, f"{module}-{version}-py3-none-any.whl", packed.getvalue())

    def source(self, name: str, version: str, backend: str) -> None:
        module = name.replace("-", "_")
        files = {
            "pyproject.toml": f'[build-system]\nrequires = ["{backend}"]\nbuild-backend = "{backend}"\n',
            "NAME": module,
            "PKG-INFO": f"Metadata-Version: 2.1\nName: {name}\nVersion: {version}\n",
        }
        packed = io.BytesIO()
        with tarfile.open(fileobj=packed, mode="w:gz") as archive:
            for path, text in files.items():
                entry = tarfile.TarInfo(f"{module}-{version}/{path}")
                entry.size = len(text)
                archive.addfile(entry, io.BytesIO(text.encode()))
        self._add(name, version, f"{module}-{version}.tar.gz", packed.getvalue())

    def _add(self, name: str, version: str, file: str, data: bytes) -> None:
        project = self.folder / name
        project.mkdir(parents=True, exist_ok=True)
        (project / file).write_bytes(data)
        digest = hashlib.sha256(data).hexdigest()
        with (project / "index.html").open("a") as page:
            page.write(f'<a href="{file}#sha256={digest}">{file}</a>\n')
        self.lines[f"{name}=={version}"] = f"--hash=sha256:{digest}"

    def lock(self, *pins: str) -> str:
        """Give the lock file of these pins, each "name==version", or "name[extra]==version"."""
        plain = [pin.replace("[more]", "") for pin in pins]
        return "".join(f"{pin} \\\n    {self.lines[key]}\n" for pin, key in zip(pins, plain, strict=True))


if __name__ == "__main__":
    offered = Index(Path(sys.argv[1]))
    for pin in sys.argv[2:]:
        offered.wheel(*pin.split("=="))
