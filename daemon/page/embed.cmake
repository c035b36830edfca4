# cmake -DOUT=page_table.cpp -DFILES=a|b|c -P embed.cmake: the files as a C++ table of raw string literals.
string(REPLACE "|" ";" files "${FILES}")
set(table "")
set(count 0)
foreach(file IN LISTS files)
  get_filename_component(name "${file}" NAME)
  get_filename_component(kind "${file}" LAST_EXT)
  if(kind STREQUAL ".html")
    set(type "text/html; charset=utf-8")
  elseif(kind STREQUAL ".css")
    set(type "text/css; charset=utf-8")
  else()
    set(type "text/javascript; charset=utf-8")
  endif()
  file(READ "${file}" text)
  file(SHA256 "${file}" hash)
  string(FIND "${text}" ")nightbench\"" ends)
  if(NOT ends EQUAL -1)
    message(FATAL_ERROR "${file} holds the end mark of the literals")
  endif()
  string(SUBSTRING "${hash}" 0 16 tag)
  string(APPEND table "    PageFile{\"${name}\", \"${type}\", R\"nightbench(${text})nightbench\", \"\\\"${tag}\\\"\"},\n")
  math(EXPR count "${count} + 1")
endforeach()
file(WRITE "${OUT}.new" "// Made from the files of daemon/page by embed.cmake.
#include \"daemon/page/page_files.hpp\"

namespace nightbench::page {
namespace {
constexpr PageFile kFiles[] = {
${table}};
}  // namespace
const PageFile* all() { return kFiles; }
std::size_t count() { return ${count}; }
}  // namespace nightbench::page
")
file(RENAME "${OUT}.new" "${OUT}")
