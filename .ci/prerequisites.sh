#!/bin/sh
# Say in one line what is missing on this machine to build the project; exit 1 if anything is.
# Usage: prerequisites.sh PYTHON
set -u
python=${1:-python3}

# Where there is apt-get its names are given, elsewhere what to look for.
needs() { # needs "what is missing" "Debian packages" "what to look for elsewhere"
  if command -v apt-get >/dev/null 2>&1; then
    echo "$1: install it with: sudo apt-get install $2" >&2
  else
    echo "$1: install $3" >&2
  fi
  exit 1
}

command -v "$python" >/dev/null 2>&1 ||
  needs "$python is missing" "python3 python3-venv python3-dev" "Python 3.10 to 3.13 with its headers"

version=$("$python" -c 'import sys; print("%d.%d" % sys.version_info[:2])') || exit 1
case $version in
  3.10 | 3.11 | 3.12 | 3.13) ;;
  *)
    echo "$python is Python $version, and Python 3.10 to 3.13 is needed: install one and call make with PYTHON=python3.12, say" >&2
    exit 1
    ;;
esac

case $(uname -s)-$(uname -m) in
  Linux-x86_64) ;;
  *)
    echo "ROS 2 can be installed with pip on Linux on x86_64 only, and this is $(uname -s) on $(uname -m): 'pip install ./soft_tactile_node' gives the bench tools without it" >&2
    exit 1
    ;;
esac

"$python" -c 'import ensurepip, venv' >/dev/null 2>&1 ||
  needs "$python has no venv module" "python$version-venv" "the venv and ensurepip modules of Python $version"

printf '#include <string>\nint main() { return 0; }\n' | ${CXX:-c++} -x c++ -fsyntax-only - >/dev/null 2>&1 &&
  printf '#include <stdio.h>\nint main(void) { return 0; }\n' | ${CC:-cc} -x c -fsyntax-only - >/dev/null 2>&1 ||
  needs "There is no working C++ compiler" "g++" "g++ with the headers of the C and C++ libraries"

headers=$("$python" -c 'import sysconfig; print(sysconfig.get_path("include"))') || exit 1
[ -f "$headers/Python.h" ] ||
  needs "The headers of $python are missing ($headers/Python.h)" "python$version-dev" "the development files of Python $version"
