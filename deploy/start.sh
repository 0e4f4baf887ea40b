#!/bin/sh
# Begins one part of a club's server: `start.sh web` or `start.sh worker`.
#
# Waits for the database, and, before the pages are served, for the owner's account.
set -eu
case ${1:-} in
  web | worker) ;;
  *)
    echo "start.sh web or start.sh worker" >&2
    exit 2
    ;;
esac
program=${COMBWRIGHT_PROGRAM:-combwright}
tries=0
until "$program" access list --json >/dev/null 2>&1; do
  tries=$((tries + 1))
  if [ "$tries" -ge "${COMBWRIGHT_TRIES:-60}" ]; then
    "$program" access list >/dev/null  # says why
    exit 1
  fi
  sleep 1
done
case $1 in
  worker)
    exec "$program" work
    ;;
  web)
    said=
    until "$program" access list --json | grep -q '"own"'; do
      [ -n "$said" ] || echo "make the owner's account: docker compose exec web combwright access owner NAME"
      said=yes
      sleep 2
    done
    exec "$program" serve --host 0.0.0.0 --port "${COMBWRIGHT_PORT:-8000}" --apart \
      --workers "${COMBWRIGHT_WORKERS:-2}" --public-name "${COMBWRIGHT_NAME:-localhost}"
    ;;
esac
