#include "sequences/diagnosis/likelihoods.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <numeric>

namespace nightbench::diagnosis {
namespace {

// A board that misses a limit is good only if the bench is wrong.
constexpr double kGoodThoughMissed = 0.02;
constexpr double kHardlyLess = 0.3;  // odds that readings leave standing: they say nothing of it
constexpr std::size_t kPairSeeds = 14;  // faults that are tried together with every other one
constexpr double kLeastOhm_log = -0.5, kMostOhm_log = 9;
// Shares of readings that something unknown disturbs.
constexpr std::array kDisturbed{0.1, 0.3, 0.6};

double log_mean_exp(const std::vector<double>& logs) {
  const double top = *std::ranges::max_element(logs);
  double sum = 0;
  for (const double each : logs) sum += std::exp(each - top);
  return top + std::log(sum / static_cast<double>(logs.size()));
}

// Likelihoods of one fault at one size, and which observations it touches at all.
struct Row {
  std::vector<double> logs;
  std::vector<Expectation> expected;
  double total = 0;
};

class Table {
 public:
  Table(const FaultBook& book, const std::vector<Judged>& evidence) : book_(book), evidence_(evidence) {
    for (const Judged& each : evidence) {
      healthy_.push_back(log_likelihood(each.healthy, each.healthy, each.observation->seen,
                                        each.reading->scale));
    }
    healthy_total_ = std::accumulate(healthy_.begin(), healthy_.end(), 0.0);
    for (const Fault& fault : book.faults) add(fault);
  }

  double healthy() const { return healthy_total_; }
  double unknown() const;
  double single(std::size_t fault, std::size_t* best) const;
  double pair(std::size_t one, std::size_t other, Hypothesis* best) const;
  std::vector<std::size_t> seeds() const;
  double certain(std::size_t fault) const;

 private:
  void add(const Fault& fault);
  double pair_at(std::size_t one, const Row& first, std::size_t other, const Row& second) const;

  const FaultBook& book_;
  const std::vector<Judged>& evidence_;
  std::vector<double> healthy_;
  double healthy_total_ = 0;
  std::vector<std::vector<std::size_t>> touched_;  // by fault: observations
  std::vector<std::vector<Row>> rows_;             // by fault and size, over all observations
};

void Table::add(const Fault& fault) {
  std::vector<std::size_t> touched;
  std::vector<const Prediction*> predictions;
  for (std::size_t n = 0; n < evidence_.size(); ++n) {
    const Observation& seen = *evidence_[n].observation;
    if (const Prediction* found = fault.find(seen.reading, seen.if_hz)) {
      touched.push_back(n);
      predictions.push_back(found);
    }
  }
  std::vector<Row> rows(fault.sizes.size());
  for (std::size_t size = 0; size < rows.size(); ++size) {
    Row& row = rows[size];
    row.logs = healthy_;
    row.total = healthy_total_;
    row.expected.resize(evidence_.size());
    for (std::size_t k = 0; k < touched.size(); ++k) {
      const std::size_t n = touched[k];
      row.expected[n] = predictions[k]->at(size);
      row.logs[n] = log_likelihood(row.expected[n], evidence_[n].healthy,
                                   evidence_[n].observation->seen, evidence_[n].reading->scale);
      row.total += row.logs[n] - healthy_[n];
    }
  }
  touched_.push_back(std::move(touched));
  rows_.push_back(std::move(rows));
}

double Table::unknown() const {
  std::vector<double> by_share;
  for (const double share : kDisturbed) {
    double total = 0;
    for (std::size_t n = 0; n < evidence_.size(); ++n) {
      const double anything = std::exp(
          log_likelihood_of_anything(evidence_[n].observation->seen, evidence_[n].reading->scale));
      total += std::log((1 - share) * std::exp(healthy_[n]) + share * anything);
    }
    by_share.push_back(total);
  }
  return log_mean_exp(by_share);
}

double Table::single(std::size_t fault, std::size_t* best) const {
  std::vector<double> logs;
  for (const Row& row : rows_[fault]) logs.push_back(row.total);
  *best = static_cast<std::size_t>(std::ranges::max_element(logs) - logs.begin());
  return log_mean_exp(logs);
}

double Table::pair_at(std::size_t one, const Row& first, std::size_t other,
                      const Row& second) const {
  double total = first.total + second.total - healthy_total_;
  // Where both speak, what was added twice is replaced by what both together expect.
  const std::vector<std::size_t>& fewer =
      touched_[one].size() < touched_[other].size() ? touched_[one] : touched_[other];
  const std::vector<std::size_t>& more =
      touched_[one].size() < touched_[other].size() ? touched_[other] : touched_[one];
  for (const std::size_t n : fewer) {
    if (!std::ranges::binary_search(more, n)) continue;
    const Judged& each = evidence_[n];
    const Expectation both =
        combine(first.expected[n], second.expected[n], each.healthy, each.reading->scale);
    total += log_likelihood(both, each.healthy, each.observation->seen, each.reading->scale) -
             first.logs[n] - second.logs[n] + healthy_[n];
  }
  return total;
}

double Table::pair(std::size_t one, std::size_t other, Hypothesis* best) const {
  std::vector<double> logs;
  double top = -std::numeric_limits<double>::infinity();
  best->parts = {{one, 0}, {other, 0}};
  for (std::size_t a = 0; a < rows_[one].size(); ++a) {
    for (std::size_t b = 0; b < rows_[other].size(); ++b) {
      logs.push_back(pair_at(one, rows_[one][a], other, rows_[other][b]));
      if (logs.back() <= top) continue;
      top = logs.back();
      best->parts[0].size = a;
      best->parts[1].size = b;
    }
  }
  return log_mean_exp(logs);
}

// As single(), over a good board, by the readings alone of which the book says what they become.
double Table::certain(std::size_t fault) const {
  std::vector<double> logs;
  for (const Row& row : rows_[fault]) {
    double total = 0;
    for (const std::size_t n : touched_[fault]) {
      if (row.expected[n].kind != Kind::unknown) total += row.logs[n] - healthy_[n];
    }
    logs.push_back(total);
  }
  return log_mean_exp(logs);
}

// Faults that explain most by themselves, whatever else they get wrong.
std::vector<std::size_t> Table::seeds() const {
  constexpr double kMostHeldAgainst = -3;
  std::vector<std::pair<double, std::size_t>> scores;
  for (std::size_t fault = 0; fault < rows_.size(); ++fault) {
    double best = -std::numeric_limits<double>::infinity();
    for (const Row& row : rows_[fault]) {
      double score = 0;
      for (const std::size_t n : touched_[fault]) {
        score += std::max(row.logs[n] - healthy_[n], kMostHeldAgainst);
      }
      best = std::max(best, score);
    }
    scores.emplace_back(-best, fault);
  }
  std::ranges::sort(scores);
  std::vector<std::size_t> out;
  for (const auto& [score, fault] : scores) {
    if (out.size() == kPairSeeds || score >= 0) break;
    out.push_back(fault);
  }
  return out;
}

}  // namespace

std::optional<Expectation> healthy_at(const BookReading& reading, const script::BoardType& type) {
  if (reading.healthy) return reading.healthy;
  const record::Limit limit = script::limit_at(type.limits, reading.id, 0);
  if (!limit.lower && !limit.upper) return std::nullopt;
  Expectation out;
  if (reading.scale == Scale::log_ohm) {
    out.kind = Kind::between;
    out.from = limit.lower && *limit.lower > 0 ? std::log10(*limit.lower) : kLeastOhm_log;
    out.to = limit.upper && *limit.upper > 0 ? std::log10(*limit.upper) : kMostOhm_log;
    return out;
  }
  if (!limit.lower || !limit.upper) return std::nullopt;
  // A good board lies within half of what it is allowed, mostly.
  out.centre = 0.5 * (*limit.lower + *limit.upper);
  out.spread = 0.25 * (*limit.upper - *limit.lower);
  if (reading.scale == Scale::part && out.centre != 0) {
    out.spread /= std::fabs(out.centre);
    out.centre = 1;
  }
  return out;
}

std::vector<Judged> judged(const std::vector<Observation>& evidence, const FaultBook& book,
                           const script::BoardType& type) {
  std::vector<Judged> out;
  for (const Observation& each : evidence) {
    const auto known = book.readings.find(each.reading);
    if (known == book.readings.end()) continue;
    const auto healthy = healthy_at(known->second, type);
    if (healthy) out.push_back({&each, &known->second, *healthy});
  }
  return out;
}

Expectation expected_of(const FaultBook& book, const Hypothesis& hypothesis,
                        const std::string& reading, double if_hz, const Expectation& healthy,
                        Scale scale) {
  Expectation out = healthy;
  for (const Hypothesis::Part& part : hypothesis.parts) {
    const Prediction* found = book.faults[part.fault].find(reading, if_hz);
    if (found != nullptr) out = combine(out, found->at(part.size), healthy, scale);
  }
  return out;
}

std::vector<std::size_t> unseen_faults(const FaultBook& book, const std::vector<Judged>& evidence) {
  const Table table(book, evidence);
  std::vector<std::size_t> out;
  for (std::size_t fault = 0; fault < book.faults.size(); ++fault) {
    if (table.certain(fault) >= std::log(kHardlyLess)) out.push_back(fault);
  }
  return out;
}

std::vector<Hypothesis> posterior(const FaultBook& book, const std::vector<Judged>& evidence,
                                  bool pairs) {
  const Table table(book, evidence);
  double prior_sum = 0;
  for (const Fault& each : book.faults) prior_sum += each.prior;
  const double single_share = 1 - book.prior_healthy - book.prior_pair - book.prior_unknown;

  std::vector<Hypothesis> out;
  std::vector<double> logs;
  const auto add = [&](Hypothesis hypothesis, double log) {
    out.push_back(std::move(hypothesis));
    logs.push_back(log);
  };
  const bool missed =
      std::ranges::any_of(evidence, [](const Judged& each) { return each.observation->missed; });
  add({}, std::log(book.prior_healthy * (missed ? kGoodThoughMissed : 1)) + table.healthy());
  Hypothesis unknown;
  unknown.unknown = true;
  add(std::move(unknown), std::log(book.prior_unknown) + table.unknown());
  const auto share = [&](std::size_t fault) { return book.faults[fault].prior / prior_sum; };
  for (std::size_t fault = 0; fault < book.faults.size(); ++fault) {
    Hypothesis one;
    one.parts.resize(1);
    one.parts[0].fault = fault;
    const double log = table.single(fault, &one.parts[0].size);
    add(std::move(one), std::log(single_share * share(fault)) + log);
  }
  if (pairs) {
    const std::vector<std::size_t> seeds = table.seeds();
    for (const std::size_t seed : seeds) {
      for (std::size_t other = 0; other < book.faults.size(); ++other) {
        // Two seeds meet twice; once is enough.
        const bool again = other <= seed && std::ranges::find(seeds, other) != seeds.end();
        if (other == seed || again) continue;
        Hypothesis both;
        const double log = table.pair(seed, other, &both);
        add(std::move(both), std::log(2 * book.prior_pair * share(seed) * share(other)) + log);
      }
    }
  }
  const double top = *std::ranges::max_element(logs);
  double sum = 0;
  for (const double each : logs) sum += std::exp(each - top);
  for (std::size_t n = 0; n < out.size(); ++n) out[n].probability = std::exp(logs[n] - top) / sum;
  std::ranges::stable_sort(out, std::greater{}, &Hypothesis::probability);
  return out;
}

}  // namespace nightbench::diagnosis
