// Small dense matrices, row by row in a vector. Inner part of this folder.
#pragma once

#include <cstddef>
#include <vector>

namespace nightbench::signal {

// Inverse of a symmetric positive definite n x n matrix in place, by Cholesky. False when a pivot
// falls below 1e-12 of its diagonal entry; the matrix is then spoilt.
bool invert_positive(std::vector<double>& matrix, std::size_t n);

}  // namespace nightbench::signal
