# One library a folder, and headers that reach a target only through what it links.
#
# Includes are written as paths from the top of the repository: #include "drivers/link/link.hpp".
# Each library exposes an include tree in the build folder that holds a link to its own folder and
# nothing else, so that including a folder which the target does not need fails to compile.

# nightbench_library(FOLDER sequences/signal
#                    SOURCES sine_fit.cpp ...      relative to the folder
#                    NEEDS drivers/base ...        folders of this repository, passed on to users
#                    USES Eigen3::Eigen ...        libraries from outside, passed on to users
#                    HIDES FFTW ...)               libraries from outside that headers do not show
function(nightbench_library)
  cmake_parse_arguments(ARG "" "FOLDER" "SOURCES;NEEDS;USES;HIDES" ${ARGN})
  string(REPLACE "/" "_" target "${ARG_FOLDER}")
  list(TRANSFORM ARG_SOURCES PREPEND "${CMAKE_SOURCE_DIR}/${ARG_FOLDER}/")
  add_library(${target} STATIC ${ARG_SOURCES})

  set(tree "${CMAKE_BINARY_DIR}/include/${target}")
  get_filename_component(parent "${tree}/${ARG_FOLDER}" DIRECTORY)
  file(MAKE_DIRECTORY "${parent}")
  file(CREATE_LINK "${CMAKE_SOURCE_DIR}/${ARG_FOLDER}" "${tree}/${ARG_FOLDER}" SYMBOLIC)
  target_include_directories(${target} PUBLIC "${tree}")

  list(TRANSFORM ARG_NEEDS REPLACE "/" "_")
  target_link_libraries(${target} PUBLIC ${ARG_NEEDS} ${ARG_USES} PRIVATE ${ARG_HIDES})
  set_property(GLOBAL APPEND PROPERTY NIGHTBENCH_LIBRARIES ${target})
endfunction()

# tests/support/places.hpp tells tests where the checkout and the build are.
set(NIGHTBENCH_PLACES "${CMAKE_BINARY_DIR}/include/places")
configure_file("${CMAKE_SOURCE_DIR}/tests/support/places.hpp.in"
  "${NIGHTBENCH_PLACES}/tests/support/places.hpp" @ONLY)

# nightbench_test(FOLDER drivers/link           the folder under tests/, which mirrors the source path
#                 SOURCES tcp_test.cpp ...
#                 NEEDS drivers/link ...  USES ...
#                 SERIAL)                       its tests never run beside each other
function(nightbench_test)
  cmake_parse_arguments(ARG "SERIAL" "FOLDER;TIMEOUT" "SOURCES;NEEDS;USES" ${ARGN})
  string(REPLACE "/" "_" name "${ARG_FOLDER}")
  set(target "test_${name}")
  list(TRANSFORM ARG_SOURCES PREPEND "${CMAKE_SOURCE_DIR}/tests/${ARG_FOLDER}/")
  add_executable(${target} ${ARG_SOURCES})
  list(TRANSFORM ARG_NEEDS REPLACE "/" "_")
  target_link_libraries(${target} PRIVATE ${ARG_NEEDS} ${ARG_USES} GTest::gmock_main)
  target_include_directories(${target} PRIVATE "${NIGHTBENCH_PLACES}")
  if(NOT ARG_TIMEOUT)
    set(ARG_TIMEOUT 300)
  endif()
  set(properties TIMEOUT ${ARG_TIMEOUT})
  if(ARG_SERIAL)
    list(APPEND properties RESOURCE_LOCK ${target})
  endif()
  gtest_discover_tests(${target} TEST_PREFIX "${ARG_FOLDER}/" DISCOVERY_MODE PRE_TEST
    PROPERTIES ${properties})
  set_property(GLOBAL APPEND PROPERTY NIGHTBENCH_TEST_SOURCES ${ARG_SOURCES})
endfunction()
