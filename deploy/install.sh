#!/bin/sh
# Installs Combwright into an environment of its own: what the container image and its test share.
#
#     deploy/install.sh /opt/combwright [SOURCE]
#
# Without PyTorch, which training and explaining alone need; with PostgreSQL, its queue, and Parquet.
set -eu
prefix=$1
source=${2:-$(dirname "$0")/..}
"${PYTHON:-python3}" -m venv "$prefix"
"$prefix/bin/pip" install --quiet --disable-pip-version-check --no-cache-dir uv
"$prefix/bin/uv" pip install --quiet --no-cache --python "$prefix/bin/python" \
  -r "$source/requirements-light.txt" -r "$source/deploy/requirements.txt"
"$prefix/bin/pip" install --quiet --disable-pip-version-check --no-cache-dir --no-deps "$source"
"$prefix/bin/combwright" --version
