"""Before the settings load: tests keep all their data in a folder of their own and see none of the machine's
configuration."""

import atexit
import os
import shutil
import tempfile

for _name in [name for name in os.environ if name.startswith("FINGERWORK_") and name != "FINGERWORK_REQUIRE"]:
    del os.environ[_name]
for _name in ("DATABASE_URL", "REDIS_URL"):
    os.environ.pop(_name, None)
os.environ["FINGERWORK_DATA"] = tempfile.mkdtemp(prefix="fingerwork-tests-")
os.environ.setdefault("NUMBA_CACHE_DIR", os.path.join(tempfile.gettempdir(), "fingerwork-numba"))
atexit.register(shutil.rmtree, os.environ["FINGERWORK_DATA"], ignore_errors=True)
