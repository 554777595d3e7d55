#!/usr/bin/env bash
# Builds the wheel, installs it into a clean environment, runs its tests there, checks its stubs, runs the example.
# Needs cargo and python3 with venv; takes build tools and test libraries from the package index pip is set to.
set -euo pipefail
cd "$(dirname "$0")/../.."

if ! python3 -c 'import sys; sys.exit(sys.version_info < (3, 10))'; then
    echo "the wheel needs Python 3.10 or later, found $(python3 --version)" >&2
    exit 1
fi
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
export PIP_DISABLE_PIP_VERSION_CHECK=1

python3 -m venv "$work/build"
"$work/build/bin/pip" install --quiet "maturin>=1.9,<2"
# the profile of the tests, so that what they compiled serves here too
"$work/build/bin/maturin" build --quiet --profile dev --manifest-path crates/python/Cargo.toml --out "$work/wheel"
cargo build --quiet -p mixwright
program=$(cargo metadata --format-version 1 --no-deps | python3 -c 'import json, sys; print(json.load(sys.stdin)["target_directory"])')/debug/mixwright

python3 -m venv "$work/clean"
"$work/clean/bin/pip" install --quiet "$work"/wheel/mixwright-*.whl
echo "wheel: $(basename "$work"/wheel/*.whl), installed with $("$work/clean/bin/pip" list --format=freeze | tr '\n' ' ')"
# the wheel alone is enough for everything but data frames
(cd "$work" && MIXWRIGHT_PROGRAM=$program "$work/clean/bin/python" "$OLDPWD/crates/python/tests/test_mixwright.py" 2>&1) |
    tail -n 4

"$work/clean/bin/pip" install --quiet pandas matplotlib mypy pandas-stubs
echo "stubs"
(cd "$work" && "$work/clean/bin/python" -m mypy.stubtest mixwright)
(cd "$work" && "$work/clean/bin/python" -m mypy --strict --no-error-summary "$OLDPWD/docs/python_example.py")
echo "example"
MIXWRIGHT_EXAMPLE_FOLDER=$work/example "$work/clean/bin/python" crates/python/tests/page.py \
    docs/python_example.py docs/python-example.md --check
for picture in docs/python/*.svg; do
    test -s "$work/example/$(basename "$picture")" || { echo "the example does not write $picture" >&2; exit 1; }
done
(cd "$work" && MIXWRIGHT_PROGRAM=$program "$work/clean/bin/python" "$OLDPWD/crates/python/tests/test_mixwright.py" \
    Arrays.test_tables_make_data_frames 2>&1) | tail -n 1
