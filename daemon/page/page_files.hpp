// The files of the bench page as they are inside the program: nothing is read from the disk.
#pragma once

#include <cstddef>
#include <string_view>

namespace nightbench::page {

struct PageFile {
  std::string_view name;  // "index.html"
  std::string_view type;  // media type
  std::string_view text;
  std::string_view tag;  // entity tag with its quotes, from the hash of the text
};

const PageFile* all();
std::size_t count();
// Null when there is none of that name.
const PageFile* find(std::string_view name);

}  // namespace nightbench::page
