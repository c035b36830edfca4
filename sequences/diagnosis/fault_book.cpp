#include "sequences/diagnosis/fault_book.hpp"

#include <algorithm>
#include <cmath>
#include <nlohmann/json.hpp>

#include "sequences/diagnosis/template_values.hpp"

namespace nightbench::diagnosis {
namespace {

using json::Fields;
using json::Node;

Result<double> value_on(const Node& node, Scale scale) {
  switch (scale) {
    case Scale::db: return node.quantity(Unit::db);
    case Scale::degree: return node.quantity(Unit::degree);
    case Scale::part: return node.quantity(Unit::one);
    case Scale::yes_no: {
      TRY_ASSIGN(const std::size_t which, node.word({"no", "yes"}));
      return static_cast<double>(which);
    }
    case Scale::log_ohm: {
      TRY_ASSIGN(const double ohm, node.quantity(Unit::ohm));
      if (!(ohm > 0)) return node.wrong("a resistance above 0");
      return std::log10(ohm);
    }
  }
  return node.wrong("a value");
}

Result<double> spread_on(const Node& node, Scale scale) {
  // Of ohms, in decades: a factor.
  auto spread = scale == Scale::log_ohm ? node.number() : value_on(node, scale);
  if (spread && !(*spread > 0)) return node.wrong("a spread above 0");
  return spread;
}

// One value, or one for each size.
Result<std::vector<double>> values_on(const Node& node, Scale scale, std::size_t sizes) {
  std::vector<double> out;
  if (!node.is_array()) {
    TRY_ASSIGN(const double value, value_on(node, scale));
    out.push_back(value);
    return out;
  }
  TRY_ASSIGN(const auto elements, node.elements(1));
  for (const Node& each : elements) {
    TRY_ASSIGN(const double value, value_on(each, scale));
    out.push_back(value);
  }
  if (out.size() != sizes) {
    return node.wrong("one value, or " + std::to_string(sizes) + " as there are sizes");
  }
  return out;
}

Result<Expectation> between(Fields& fields, const Node& from, Scale scale) {
  Expectation out;
  out.kind = Kind::between;
  TRY_ASSIGN(out.from, value_on(from, scale));
  TRY_ASSIGN(const Node to, fields.need("to"));
  TRY_ASSIGN(out.to, value_on(to, scale));
  if (!(out.to > out.from)) return to.wrong("more than \"from\"");
  return out;
}

// The forms an expectation may take; exactly one of them.
Result<std::vector<Expectation>> expectations(Fields& fields, Scale scale,
                                              const std::optional<Expectation>& healthy,
                                              std::size_t sizes) {
  const auto is = fields.find("is");
  const auto by = fields.find("by");
  const auto from = fields.find("from");
  const auto absent = fields.find("absent");
  const auto unknown = fields.find("unknown");
  const int forms = int{is.has_value()} + int{by.has_value()} + int{from.has_value()} +
                    int{absent.has_value()} + int{unknown.has_value()};
  if (forms != 1) {
    return fields.node().wrong(
        "exactly one of \"is\", \"by\", \"from\" with \"to\", \"absent\", \"unknown\"");
  }
  if (from) {
    TRY_ASSIGN(const Expectation one, between(fields, *from, scale));
    return std::vector{one};
  }
  if (absent || unknown) {
    const Node& said = absent ? *absent : *unknown;
    TRY_ASSIGN(const bool yes, said.boolean());
    if (!yes) return said.wrong("true");
    Expectation one;
    one.kind = absent ? Kind::absent : Kind::unknown;
    return std::vector{one};
  }
  double start = 0;
  if (by) {
    if (scale == Scale::log_ohm || scale == Scale::yes_no || !healthy ||
        healthy->kind != Kind::near) {
      return by->wrong("\"is\": a shift needs a healthy value to start from");
    }
    start = healthy->centre;
  }
  TRY_ASSIGN(const std::vector<double> values, values_on(is ? *is : *by, scale, sizes));
  double spread = 0;
  if (scale != Scale::yes_no) {
    TRY_ASSIGN(const Node node, fields.need("spread"));
    TRY_ASSIGN(spread, spread_on(node, scale));
  }
  std::vector<Expectation> out;
  for (const double value : values) {
    Expectation one;
    one.centre = start + value;
    one.spread = spread;
    out.push_back(one);
  }
  return out;
}

Result<std::vector<std::string>> texts(const Node& node, std::size_t least = 0) {
  TRY_ASSIGN(const auto elements, node.elements(least));
  std::vector<std::string> out;
  for (const Node& each : elements) {
    TRY_ASSIGN(std::string text, each.text());
    out.push_back(std::move(text));
  }
  return out;
}

Result<void> decode_readings(const Node& node, FaultBook& book) {
  TRY_ASSIGN(const auto groups, node.elements(1));
  for (const Node& group : groups) {
    TRY_ASSIGN(auto fields, Fields::of(group, "readings of the book"));
    TRY_ASSIGN(const Node of, fields.need("of"));
    TRY_ASSIGN(const auto ids, texts(of, 1));
    BookReading reading;
    TRY_ASSIGN(const Node unit, fields.need("unit"));
    TRY_ASSIGN(const std::size_t which, unit.word({"dB", "deg", "ohm", "part", "yes/no"}));
    reading.scale = static_cast<Scale>(which);
    TRY_ASSIGN(const Node healthy, fields.need("healthy"));
    if (healthy.is_string()) {
      TRY_ASSIGN(const std::size_t limits, healthy.word({"in limits"}));
      static_cast<void>(limits);
    } else {
      TRY_ASSIGN(auto parts, Fields::of(healthy, "a good board's reading"));
      TRY_ASSIGN(const auto one, expectations(parts, reading.scale, {}, 1));
      TRY(parts.finish());
      reading.healthy = one.front();
    }
    TRY(fields.finish());
    for (const std::string& id : ids) {
      reading.id = id;
      if (!book.readings.emplace(id, reading).second) {
        return of.refuse("the reading \"" + id + "\" stands here and before");
      }
    }
  }
  return {};
}

Result<void> decode_prediction(const Node& node, const FaultBook& book, Fault& fault) {
  TRY_ASSIGN(auto fields, Fields::of(node, "a prediction"));
  TRY_ASSIGN(const Node named, fields.need("reading"));
  std::vector<std::string> ids;
  if (named.is_array()) {
    TRY_ASSIGN(ids, texts(named, 1));
  } else {
    TRY_ASSIGN(std::string id, named.text());
    ids.push_back(std::move(id));
  }
  Prediction prediction;
  TRY_ASSIGN(prediction.if_from_hz, fields.quantity("if_from", Unit::hertz, 0.0));
  TRY_ASSIGN(prediction.if_to_hz, fields.quantity("if_to", Unit::hertz, 0.0));
  std::optional<Scale> scale;
  for (const std::string& id : ids) {
    const auto known = book.readings.find(id);
    if (known == book.readings.end()) {
      std::vector<std::string> names;
      for (const auto& [name, reading] : book.readings) names.push_back(name);
      const auto close = json::nearest(id, names);
      return named.refuse("the book has no reading \"" + id + "\"" +
                          (close ? "; did you mean \"" + *close + "\"?" : ""));
    }
    const bool any_unit = scale && prediction.by_size.front().kind >= Kind::absent;
    if (scale && *scale != known->second.scale && !any_unit) {
      return named.refuse("readings of different units need predictions of their own");
    }
    if (!scale) {
      scale = known->second.scale;
      TRY_ASSIGN(prediction.by_size,
                 expectations(fields, *scale, known->second.healthy, fault.sizes.size()));
    }
    prediction.reading = id;
    fault.predictions.push_back(prediction);
  }
  return fields.finish();
}

// What cannot be relied upon where a level is absent.
void add_unknown(const FaultBook& book, Fault& fault) {
  std::vector<std::string> shaken;
  for (const Prediction& each : fault.predictions) {
    if (each.by_size.front().kind != Kind::absent) continue;
    const std::size_t level = each.reading.rfind(".level_");
    if (level != std::string::npos) {
      const std::string pair = each.reading.substr(0, level);
      shaken.insert(shaken.end(), {pair + ".phase", pair + ".balance"});
    } else if (each.reading == "i_level" || each.reading == "q_level") {
      shaken.insert(shaken.end(), {"gain_balance", "quadrature", "i_rolloff", "q_rolloff", "gain_slope"});
    }
  }
  Expectation unknown;
  unknown.kind = Kind::unknown;
  for (const std::string& each : shaken) {
    const bool said = std::ranges::any_of(
        fault.predictions, [&](const Prediction& one) { return one.reading == each; });
    if (!said && book.readings.contains(each)) fault.predictions.push_back({each, 0, 0, {unknown}});
  }
}

Result<Fault> decode_fault(const Node& node, const FaultBook& book) {
  TRY_ASSIGN(auto fields, Fields::of(node, "a fault"));
  Fault fault;
  TRY_ASSIGN(fault.id, fields.text("id"));
  TRY_ASSIGN(fault.title, fields.text("title"));
  TRY_ASSIGN(fault.about, fields.text("about"));
  TRY_ASSIGN(fault.repair, fields.text("repair"));
  TRY_ASSIGN(fault.prior, fields.number("prior", 1.0));
  if (!(fault.prior > 0 && fault.prior <= 100)) {
    return fields.node().refuse("\"prior\" must lie above 0 and be at most 100");
  }
  fault.sizes = {""};
  if (const auto sizes = fields.find("sizes")) {
    TRY_ASSIGN(fault.sizes, texts(*sizes, 2));
  }
  if (const auto cautions = fields.find("cautions")) {
    TRY_ASSIGN(fault.cautions, texts(*cautions));
  }
  TRY_ASSIGN(const Node predicts, fields.need("predicts"));
  TRY_ASSIGN(const auto elements, predicts.elements(1));
  for (const Node& each : elements) TRY(decode_prediction(each, book, fault));
  TRY(fields.finish());
  add_unknown(book, fault);
  return fault;
}

// An entry of the list: one fault, or one for each row of "each".
Result<void> decode_entry(const Node& node, FaultBook& book) {
  if (!node.is_object()) return node.wrong("a fault");
  const auto add = [&](const Node& entry) -> Result<void> {
    TRY_ASSIGN(Fault fault, decode_fault(entry, book));
    if (book.find(fault.id) != nullptr) {
      return entry.refuse("the fault \"" + fault.id + "\" stands here and before");
    }
    book.faults.push_back(std::move(fault));
    return {};
  };
  const auto each = node.raw().find("each");
  if (each == node.raw().end()) return add(node);
  if (!each->is_array() || each->empty()) return node.refuse("\"each\" must be a list of objects");
  nlohmann::json entry = node.raw();
  entry.erase("each");
  for (const nlohmann::json& row : *each) {
    if (!row.is_object()) return node.refuse("\"each\" must be a list of objects");
    auto filled = put_in(entry, row);
    Result<void> added = filled ? add(json::from_value(*std::move(filled), node.file()))
                                : Result<void>(fail(filled.error()));
    if (added) continue;
    Error error = added.error();
    error.file = node.file();
    error.pointer = node.pointer() + error.pointer;
    error.message += " (with " + row.dump() + ")";
    return fail(std::move(error));
  }
  return {};
}

}  // namespace

const Prediction* Fault::find(const std::string& reading, double if_hz) const {
  for (const Prediction& each : predictions) {
    if (each.reading != reading) continue;
    const bool bounded = each.if_to_hz > 0 || each.if_from_hz > 0;
    const bool below = each.if_to_hz <= 0 || if_hz <= each.if_to_hz;
    if (!bounded || (if_hz >= each.if_from_hz && below)) return &each;
  }
  return nullptr;
}

const Fault* FaultBook::find(std::string_view id) const {
  const auto found = std::ranges::find(faults, id, &Fault::id);
  return found == faults.end() ? nullptr : &*found;
}

Result<FaultBook> decode_fault_book(const Node& root) {
  TRY_ASSIGN(auto fields, Fields::of(root, "a fault book"));
  FaultBook book;
  TRY_ASSIGN(book.name, fields.text("fault_book"));
  TRY_ASSIGN(book.title, fields.text("title"));
  TRY_ASSIGN(const Node priors, fields.need("priors"));
  TRY_ASSIGN(auto parts, Fields::of(priors, "the priors"));
  TRY_ASSIGN(book.prior_healthy, parts.number("healthy"));
  TRY_ASSIGN(book.prior_pair, parts.number("pair"));
  TRY_ASSIGN(book.prior_unknown, parts.number("unknown"));
  TRY(parts.finish());
  const bool shares = book.prior_healthy > 0 && book.prior_pair > 0 && book.prior_unknown > 0 &&
                      book.prior_healthy + book.prior_pair + book.prior_unknown < 1;
  if (!shares) return priors.wrong("shares above 0 that leave something for single faults");
  TRY_ASSIGN(const Node readings, fields.need("readings"));
  TRY(decode_readings(readings, book));
  TRY_ASSIGN(const Node faults, fields.need("faults"));
  TRY_ASSIGN(const auto elements, faults.elements(1));
  for (const Node& each : elements) TRY(decode_entry(each, book));
  TRY(fields.finish());
  return book;
}

Result<FaultBook> read_fault_book(const std::filesystem::path& path) {
  TRY_ASSIGN(const Node root, json::read_file(path));
  return decode_fault_book(root);
}

}  // namespace nightbench::diagnosis
