#include "program.hpp"

#include <algorithm>
#include <nlohmann/json.hpp>
#include <sstream>

namespace nightbench::testing {

using Json = nlohmann::json;

SimulatedBenchProcess::SimulatedBenchProcess(const ScratchFolder& folder,
                                             const std::string& simulation) {
  process_ = std::make_unique<Process>(kProgram, std::vector<std::string>{"simulate", simulation});
  process_->read_until(
      [](const Process& p) { return std::count(p.out().begin(), p.out().end(), '\n') >= 6; },
      std::chrono::seconds(20));
  // "generator\tTCPIP::127.0.0.1::40001::SOCKET"
  std::istringstream lines(process_->out());
  Json bench = Json::parse(read_text(kSimulatedBench), nullptr, true, true);
  bench["kind"] = "instruments";
  bench.erase("simulation");
  bench["guardian"] = {{"patience", "10 s"}};  // a bench that ends before it is not waited for
  std::string name;
  std::string resource;
  while (lines >> name >> resource) {
    const std::size_t end = resource.rfind("::SOCKET");
    if (end == std::string::npos) continue;
    const std::size_t begin = resource.rfind("::", end - 1) + 2;
    ports_[name] = std::stoi(resource.substr(begin, end - begin));
    if (bench["instruments"].contains(name)) bench["instruments"][name]["resource"] = resource;
  }
  bench_file_ = folder / "bench.json";
  write_text(bench_file_, bench.dump(2));
}

int SimulatedBenchProcess::port(const std::string& instrument) const {
  const auto found = ports_.find(instrument);
  return found == ports_.end() ? 0 : found->second;
}

}  // namespace nightbench::testing
