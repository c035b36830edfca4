// trouble_matrix: prints the whole matrix of troubles, instruments and moments with its sums; 1 when
// anything in it is wrong.
#include <algorithm>
#include <cstdio>

#include "tests/trouble/matrix.hpp"

int main() {
  using namespace nightbench::testing;
  TroubleCell sum;
  std::printf("%s\n", matrix_heading().c_str());
  for (const std::string& trouble : trouble_words()) {
    const std::vector<TroubleCell> row = trouble_row(trouble);
    std::printf("%s\n", matrix_line(trouble, row).c_str());
    std::fflush(stdout);
    for (const TroubleCell& cell : row) {
      sum.trials += cell.trials;
      sum.read += cell.read;
      sum.unread += cell.unread;
      sum.stopped += cell.stopped;
      sum.compared += cell.compared;
      sum.worst_u = std::max(sum.worst_u, cell.worst_u);
      sum.wrong.insert(sum.wrong.end(), cell.wrong.begin(), cell.wrong.end());
    }
  }
  std::printf("%d runs: %d read, %d with points unread, %d stopped; %llu readings held against the "
              "truth, the farthest %.2f U from it; %zu wrong\n",
              sum.trials, sum.read, sum.unread, sum.stopped,
              static_cast<unsigned long long>(sum.compared), sum.worst_u, sum.wrong.size());
  for (const std::string& each : sum.wrong) std::printf("WRONG %s\n", each.c_str());
  return sum.wrong.empty() ? 0 : 1;
}
