#!/bin/sh
# Ours and theirs on the same data in the same run, interleaved: run.sh [ROUNDS] [ROWS]
# Needs cargo, python3 with numpy, scipy and statsmodels; R joins where it is installed.
set -eu
here=$(CDPATH= cd -- "$(dirname -- "$0")" && pwd)
folder=$(mktemp -d)
trap 'rm -r "$folder"' EXIT
cd "$here/../.."
ours=$(cargo bench --no-run --features parallel,simd --bench peers 2>&1 | sed -n 's/.*(\(.*peers-[0-9a-f]*\)).*/\1/p')
python3 "$here/data.py" "$folder" "${2:-1000000}"
python3 "$here/theirs.py" "$folder" "$ours" "${1:-7}" "$here/../RESULTS.md"
