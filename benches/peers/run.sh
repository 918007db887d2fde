#!/bin/sh
# Ours and theirs on the same data in the same run, interleaved: run.sh [ROUNDS] [ROWS] [RESULTS]
# Needs cargo, python3 with numpy, scipy, statsmodels, scikit-learn, polars and pandas; R (with data.table,
# jsonlite and nnet) joins where it is installed, and a Rust regression crate where cargo can fetch it.
set -eu
here=$(CDPATH= cd -- "$(dirname -- "$0")" && pwd)
folder=$(mktemp -d)
trap 'rm -r "$folder"' EXIT
cd "$here/../.."
ours=$(cargo bench --no-run --features parallel,simd --bench peers 2>&1 | sed -n 's/.*(\(.*peers-[0-9a-f]*\)).*/\1/p')
python3 "$here/data.py" "$folder" "${2:-1000000}"
cargo build --quiet --release --features parallel,simd -p knap
knap=$(pwd)/target/release/knap
# the Rust peer, in a project of its own
mkdir -p "$folder/crate/src"
cp "$here/crate.rs" "$folder/crate/src/main.rs"
printf '[package]\nname = "crate_peer"\nversion = "0.0.0"\nedition = "2024"\n[dependencies]\ncsv = "1"\nlinregress = "0.5"\n[profile.release]\n[workspace]\n' > "$folder/crate/Cargo.toml"
crate="$folder/crate/target/release/crate_peer"
cargo build --quiet --release --manifest-path "$folder/crate/Cargo.toml" || crate=none
python3 "$here/theirs.py" "$folder" "$ours" "${1:-7}" "${3:-$here/../RESULTS.md}" "$knap" "$crate"
