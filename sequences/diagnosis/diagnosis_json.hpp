// A diagnosis as JSON. Schema: docs/reference/schema/diagnosis.schema.json. Pure.
#pragma once

#include <nlohmann/json_fwd.hpp>

#include "sequences/diagnosis/diagnose.hpp"
#include "sequences/record/run.hpp"

namespace nightbench::diagnosis {

nlohmann::ordered_json json_of(const Diagnosis& diagnosis, const record::Run& run,
                               const FaultBook& book);

}  // namespace nightbench::diagnosis
