// A few values that were dear to make, kept by what they were made from; the oldest goes first.
#pragma once

#include <algorithm>
#include <cstddef>
#include <memory>
#include <utility>
#include <vector>

namespace nightbench::mock::board {

// Values keep their address until they are dropped.
template <typename Key, typename Value>
class Recent {
 public:
  explicit Recent(std::size_t most) : most_(most) {}

  // The value for `key`; `make` returns a std::unique_ptr<Value> when it is not here.
  template <typename Make>
  Value& get(const Key& key, Make make) {
    const auto found = std::ranges::find(kept_, key, &Entry::first);
    if (found == kept_.end()) {
      if (kept_.size() == most_) kept_.pop_back();
      kept_.emplace(kept_.begin(), key, make());
    } else {
      std::rotate(kept_.begin(), found, found + 1);
    }
    return *kept_.front().second;
  }

 private:
  using Entry = std::pair<Key, std::unique_ptr<Value>>;
  std::size_t most_;
  std::vector<Entry> kept_;
};

}  // namespace nightbench::mock::board
