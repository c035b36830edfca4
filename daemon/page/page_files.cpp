#include "daemon/page/page_files.hpp"

namespace nightbench::page {

const PageFile* find(std::string_view name) {
  for (std::size_t n = 0; n < count(); ++n) {
    if (all()[n].name == name) return all() + n;
  }
  return nullptr;
}

}  // namespace nightbench::page
