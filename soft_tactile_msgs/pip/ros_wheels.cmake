# Makes CMake find ROS 2 in the wheels of a Python environment. Injected with CMAKE_PROJECT_INCLUDE by pip builds (see
# pyproject.toml); a build on a real ROS 2 installation does not read this file.
cmake_minimum_required(VERSION 3.21)

# The wheels put lib/ and share/ under the prefix of the environment they are in, be it a virtual environment or the
# overlay of an isolated build. ament_package lies in <prefix>/lib/pythonX.Y/site-packages/ament_package.
if(NOT DEFINED ROS_WHEELS_PREFIX)
  execute_process(
    COMMAND "${Python3_EXECUTABLE}" -c
      "import pathlib, ament_package; print(pathlib.Path(ament_package.__file__).resolve().parents[4])"
    OUTPUT_VARIABLE ROS_WHEELS_PREFIX
    OUTPUT_STRIP_TRAILING_WHITESPACE
    COMMAND_ERROR_IS_FATAL ANY)
endif()
message(STATUS "ROS 2 wheels: ${ROS_WHEELS_PREFIX}")
list(PREPEND CMAKE_PREFIX_PATH "${ROS_WHEELS_PREFIX}")
set(ENV{AMENT_PREFIX_PATH} "${ROS_WHEELS_PREFIX}")

# The libraries of the wheels carry no usable run path, so the linker has to be told where the indirect ones are.
foreach(kind IN ITEMS SHARED MODULE EXE)
  string(APPEND CMAKE_${kind}_LINKER_FLAGS " -Wl,-rpath-link,${ROS_WHEELS_PREFIX}/lib")
endforeach()

# The exported targets of the Python generators name include folders of the machine the wheels were built on. CMake
# refuses folders that do not exist, so they are dropped at the end of the configure step, when all targets are known.
function(_soft_tactile_drop_foreign_includes)
  get_property(targets DIRECTORY "${CMAKE_SOURCE_DIR}" PROPERTY IMPORTED_TARGETS)
  foreach(target IN LISTS targets)
    if(NOT target MATCHES "__rosidl_generator_py$")
      continue()
    endif()
    get_target_property(folders ${target} INTERFACE_INCLUDE_DIRECTORIES)
    if(folders)
      list(FILTER folders EXCLUDE REGEX "^/opt/python/")
      set_property(TARGET ${target} PROPERTY INTERFACE_INCLUDE_DIRECTORIES "${folders}")
    endif()
  endforeach()
endfunction()
cmake_language(DEFER DIRECTORY "${CMAKE_SOURCE_DIR}" CALL _soft_tactile_drop_foreign_includes)
