# Read by deploy/start and deploy/check: finds Python, makes the virtual environment, installs from the lock.
# Expects `root`, the folder of the checkout; sets `venv`.

venv=${AIRSIDE_VENV:-$root/.venv}
constraints=$root/deploy/constraints.txt

stop() { # message, [exit status]
  printf '\n%s\n' "$1" >&2
  exit "${2:-1}"
}

find_python() { # prints the first Python of version 3.11 or later
  local candidate
  if [ -n "${AIRSIDE_PYTHON:-}" ]; then
    set -- "$AIRSIDE_PYTHON"
  else
    set -- python3.11 python3.12 python3.13 python3
  fi
  for candidate in "$@"; do
    if "$candidate" -c 'import sys; sys.exit(sys.version_info < (3, 11))' >/dev/null 2>&1; then
      printf '%s\n' "$candidate"
      return 0
    fi
  done
  stop "Python 3.11 or later is needed and was not found (looked for: $*).
Install it, for example with: apt-get install python3.11 python3.11-venv python3.11-dev
If it is there under another name, set AIRSIDE_PYTHON to its path."
}

require_builders() { # python: what building durable-rules from source needs
  local compiler
  "$1" -c 'import ensurepip, venv' 2>/dev/null || stop "This Python ($1) cannot make virtual environments.
Install the missing part, for example with: apt-get install python3.11-venv"
  compiler=${CC:-$("$1" -c 'import sysconfig; print(sysconfig.get_config_var("CC") or "cc")')}
  command -v "${compiler%% *}" >/dev/null 2>&1 || stop "A C compiler is needed, to build durable-rules, and ${compiler%% *} was not found.
Install one, for example with: apt-get install gcc
If you have another one, name it in CC."
  "$1" -c 'import os, sys, sysconfig
sys.exit(not os.path.isfile(os.path.join(sysconfig.get_path("include"), "Python.h")))' ||
    stop "The C headers of this Python ($1) are needed, to build durable-rules, and Python.h was not found.
Install them, for example with: apt-get install python3.11-dev"
}

make_environment() { # what to install: . or .[development]
  local python wanted marker=$venv/installed-by-airside
  wanted=$(cat "$root/pyproject.toml" "$constraints" | cksum)
  if [ -x "$venv/bin/airside" ] && grep -qsxF -e "$wanted $1" -e "$wanted .[development]" "$marker"; then
    return 0
  fi
  if [ ! -x "$venv/bin/python" ]; then
    python=$(find_python)
    require_builders "$python"
    echo "Making the virtual environment $venv"
    "$python" -m venv "$venv" || stop "The virtual environment $venv cannot be made."
  else
    "$venv/bin/python" -c 'import sys; sys.exit(sys.version_info < (3, 11))' ||
      stop "The virtual environment $venv has a Python before 3.11. Remove it, or set AIRSIDE_VENV to another folder."
    require_builders "$venv/bin/python"
  fi
  echo "Installing the service and what it needs; the first time this takes a minute or two"
  (
    cd "$root"
    # Both names: which of them binds what is built differs between versions of pip.
    PIP_CONSTRAINT=$constraints PIP_BUILD_CONSTRAINT=$constraints \
      "$venv/bin/python" -m pip install --quiet --disable-pip-version-check --editable "$1"
  ) || stop "The installation failed; the messages above say why."
  echo "$wanted $1" >>"$marker"
}
