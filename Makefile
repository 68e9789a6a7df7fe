# make install   a virtual environment .venv with the bench tools, the ROS 2 nodes and all they need
# make demo      the main job on the simulated two-finger gripper; the report lands in .out/demo
# make test      every check of the project
# make accuracy  how accurate the estimator is on 20 simulated picks of each pad variant
# make speed     how fast it is, beside real time and beside a general Kalman library
# make clean     removes .venv and whatever builds left behind
#
# make PYTHON=python3.12 install   chooses the interpreter (3.10 to 3.13)

SHELL := /bin/sh
MAKEFLAGS += --no-print-directory --no-builtin-rules
PYTHON ?= python3
VENV := .venv
DONE := $(VENV)/.done

# Of the hundreds of lines that pip tells, those of a step that fails are shown; of the others the time they took.
, := ,
PIP_LOG := $(DONE)/pip.log
pip_install = start=$$(date +%s); \
  $(VENV)/bin/python -m pip --disable-pip-version-check install $(1) > $(PIP_LOG) 2>&1 \
  || { code=$$?; cat $(PIP_LOG) >&2; exit $$code; }; \
  echo "      done in $$(($$(date +%s) - start)) s"
NODES := coil_reader grasp_controller grasp_monitor gripper_simulator tactile_sensor valve

# ROS 2 comes from wheels inside .venv. One sourced in this shell must not mix with it: its libraries, Python packages and
# CMake files would be found first, and its middleware may be one that the wheels do not have.
ifneq ($(strip $(ROS_DISTRO)$(AMENT_PREFIX_PATH)$(COLCON_PREFIX_PATH)$(_ROS_WHEELS_BOOTSTRAP_COMPLETE)),)
unexport LD_LIBRARY_PATH
ifneq ($(strip $(ROS_DISTRO)$(AMENT_PREFIX_PATH)),)
ifeq ($(MAKELEVEL),0)
$(info The ROS 2 of this shell ($(or $(ROS_DISTRO),unnamed)) is left out: .venv brings its own. To use it, build with colcon, see README.md.)
endif
endif
endif
unexport ROS_DISTRO ROS_VERSION ROS_PYTHON_VERSION ROS_PACKAGE_PATH RMW_IMPLEMENTATION
unexport AMENT_PREFIX_PATH AMENT_CURRENT_PREFIX COLCON_PREFIX_PATH CMAKE_PREFIX_PATH
unexport PYTHONPATH PYTHONHOME _ROS_WHEELS_BOOTSTRAP_COMPLETE

# Sources are listed with their folders, because a deleted file shows only in the time of its folder.
sources = $(shell find $(1) -not -path '*/__pycache__*' -not -path '*/build*' -not -path '*.egg-info*' \
  -not -path '*/.*' 2>/dev/null)
MESSAGE_SOURCES := $(call sources,soft_tactile_msgs)
NODE_SOURCES := $(call sources,soft_tactile_node/soft_tactile_node soft_tactile_node/resource launch config) \
  $(wildcard soft_tactile_node/*.py soft_tactile_node/*.cfg soft_tactile_node/*.toml soft_tactile_node/*.xml)

# A virtual environment is made anew if it does not run here (moved folder, interpreter gone) or another one is asked for.
ASKED := $(if $(filter-out file default,$(origin PYTHON)),$(shell $(PYTHON) -S --version 2>/dev/null))
FOUND := $(shell [ "$$(cat $(DONE)/venv 2>/dev/null)" = "$(CURDIR)" ] && $(VENV)/bin/python -S --version 2>/dev/null)
ifneq ($(FOUND),$(or $(ASKED),$(FOUND)))
FOUND :=
endif
ifeq ($(FOUND),)
.PHONY: $(DONE)/venv
endif

.PHONY: install demo test accuracy speed clean
.DELETE_ON_ERROR:

install: $(DONE)/node

$(DONE)/venv:
	@sh .ci/prerequisites.sh "$(PYTHON)"
	@echo "[1/3] a virtual environment in $(VENV) for $$($(PYTHON) --version)"
	@rm -rf $(VENV)
	@$(PYTHON) -m venv $(VENV)
	@mkdir -p $(DONE) && echo "$(CURDIR)" > $@

$(DONE)/messages: $(DONE)/venv $(MESSAGE_SOURCES)
	@sh .ci/prerequisites.sh $(VENV)/bin/python
	@echo "[2/3] soft_tactile_msgs: interfaces, compiled against the ROS 2 wheels (one to three minutes)"
	@$(call pip_install,./soft_tactile_msgs)
	@touch $@

$(DONE)/node: $(DONE)/messages $(NODE_SOURCES)
	@echo "[3/3] soft_tactile_node: bench tools, nodes and what they need (a minute or two)"
	@rm -rf soft_tactile_node/build soft_tactile_node/*.egg-info
	@$(call pip_install,'./soft_tactile_node[ros]')
	@rm -rf soft_tactile_node/build soft_tactile_node/*.egg-info
	@mkdir -p $(VENV)/lib/soft_tactile_node # where launch files look for executables
	@for name in soft-tactile $(NODES); do ln -sfn ../../bin/$$name $(VENV)/lib/soft_tactile_node/$$name; done
	@touch $@
	@echo "Installed. Try: $(VENV)/bin/soft-tactile --help"

$(DONE)/test_tools: $(DONE)/node soft_tactile_node/setup.cfg
	@echo "[test] tools of the checks (a minute or so)"
	@$(call pip_install,'./soft_tactile_node[ros$(,)test]')
	@rm -rf soft_tactile_node/build soft_tactile_node/*.egg-info
	@touch $@

demo: install
	@$(VENV)/bin/soft-tactile demo --out .out/demo

test: install $(DONE)/test_tools
	@$(VENV)/bin/python -m pytest $(PYTEST_ARGS)

accuracy: install
	@$(VENV)/bin/python tests/benchmarks/picks.py

speed: install $(DONE)/test_tools
	@$(VENV)/bin/python tests/benchmarks/speed.py

clean:
	@rm -rf $(VENV) soft_tactile_node/build soft_tactile_node/*.egg-info
	@rm -rf .mypy_cache .pytest_cache .ruff_cache
	@find soft_tactile_node launch tests -name __pycache__ -type d -prune -exec rm -rf {} +
