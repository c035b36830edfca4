#include "sequences/diagnosis/diagnosis_json.hpp"

#include <cmath>
#include <nlohmann/json.hpp>

namespace nightbench::diagnosis {
namespace {

using Json = nlohmann::ordered_json;

// Six decimals: more would be the noise of the arithmetic.
double rounded(double value) {
  return std::round(value * 1e6) / 1e6;
}

Json says_of(const std::vector<Says>& all) {
  Json out = Json::array();
  for (const Says& each : all) {
    out.push_back({{"reading", each.title},
                   {"shows", each.shown},
                   {"expected", each.expected},
                   {"weight", rounded(each.weight)}});
  }
  return out;
}

}  // namespace

Json json_of(const Diagnosis& diagnosis, const record::Run& run, const FaultBook& book) {
  Json causes = Json::array();
  for (const Cause& each : diagnosis.causes) {
    causes.push_back({{"faults", each.faults},
                      {"title", each.title},
                      {"size", each.size},
                      {"probability", rounded(each.probability)},
                      {"about", each.about},
                      {"for", says_of(each.speaks_for)},
                      {"against", says_of(each.speaks_against)},
                      {"repairs", each.repairs},
                      {"cautions", each.cautions}});
  }
  Json unseen = Json::array();
  for (const Unseen& each : diagnosis.unseen) {
    unseen.push_back({{"fault", each.fault}, {"title", each.title}});
  }
  Json next = Json::array();
  for (const NextCheck& each : diagnosis.next) {
    next.push_back({{"check", each.id},
                    {"title", each.title},
                    {"where", each.where},
                    {"moves", each.moves},
                    {"bits", rounded(each.bits)}});
  }
  return {{"run", run.header.run_id},
          {"board", run.header.board},
          {"fault_book", book.name},
          {"conclusion", word(diagnosis.conclusion)},
          {"sentence", diagnosis.sentence},
          {"readings", diagnosis.readings},
          {"healthy", rounded(diagnosis.healthy)},
          {"unknown", rounded(diagnosis.unknown)},
          {"causes", causes},
          {"unseen", unseen},
          {"next_checks", next}};
}

}  // namespace nightbench::diagnosis
