#include "mock_instruments/board/network.hpp"

namespace nightbench::mock::board {

using Eigen::MatrixXd;

namespace {
// Leakage of every node: far below anything that is measured, it gives a node that faults have
// cut off from everything a defined rest.
constexpr double leakage_siemens = 1e-12;
// Capacitances of the board lie between 0.1 pF and 100 uF; an eigenvalue below this is rounding.
constexpr double no_capacitance = 1e-16;
}  // namespace

Network::Network(int nodes, int inputs)
    : capacitance_(MatrixXd::Zero(nodes, nodes)),
      conductance_(leakage_siemens * MatrixXd::Identity(nodes, nodes)),
      node_input_(MatrixXd::Zero(nodes, inputs)) {}

void Network::stamp(MatrixXd& matrix, int from, int to, double value) {
  if (from != ground) matrix(from, from) += value;
  if (to != ground) matrix(to, to) += value;
  if (from != ground && to != ground) {
    matrix(from, to) -= value;
    matrix(to, from) -= value;
  }
}

void Network::resistor(int from, int to, double ohm) {
  stamp(conductance_, from, to, 1.0 / ohm);
}

void Network::capacitor(int from, int to, double farad) {
  stamp(capacitance_, from, to, farad);
}

void Network::transconductance(int into, int plus, int minus, double gm) {
  if (plus != ground) conductance_(into, plus) -= gm;
  if (minus != ground) conductance_(into, minus) += gm;
}

void Network::current_input(int into, int input, double ampere_per_unit) {
  node_input_(into, input) += ampere_per_unit;
}

int Network::inductor(int from, int to, double henry, double series_ohm) {
  const int index = static_cast<int>(branches_.size());
  branches_.push_back({from, to, series_ohm});
  inductance_.conservativeResizeLike(MatrixXd::Zero(index + 1, index + 1));
  inductance_(index, index) = henry;
  return index;
}

void Network::couple(int branch, int other, double mutual_henry) {
  inductance_(branch, other) += mutual_henry;
  inductance_(other, branch) += mutual_henry;
}

void Network::prepare() {
  const Eigen::SelfAdjointEigenSolver<MatrixXd> split(capacitance_);
  const auto& value = split.eigenvalues();
  const Eigen::Index nodes = capacitance_.rows();
  Eigen::Index none = 0;
  while (none < nodes && value(none) < no_capacitance) ++none;
  kernel_ = split.eigenvectors().leftCols(none);
  range_ = split.eigenvectors().rightCols(nodes - none) *
           value.tail(nodes - none).cwiseSqrt().cwiseInverse().asDiagonal();

  const auto count = static_cast<Eigen::Index>(branches_.size());
  MatrixXd incidence = MatrixXd::Zero(nodes, count);
  MatrixXd loss = MatrixXd::Zero(count, count);
  for (Eigen::Index k = 0; k < count; ++k) {
    const Branch& branch = branches_[static_cast<std::size_t>(k)];
    if (branch.from != ground) incidence(branch.from, k) += 1.0;
    if (branch.to != ground) incidence(branch.to, k) -= 1.0;
    loss(k, k) = branch.ohm;
  }
  const MatrixXd lower = inductance_.llt().matrixL();
  const auto triangle = lower.triangularView<Eigen::Lower>();
  incidence_ = triangle.solve(incidence.transpose()).transpose();
  branch_loss_ = triangle.solve(triangle.solve(loss).transpose());
}

StateSpace Network::reduce(const std::vector<Conductance>& conductances) const {
  MatrixXd g = conductance_;
  for (const Conductance& extra : conductances) stamp(g, extra.from, extra.to, extra.siemens);

  const Eigen::Index n = range_.cols();
  const Eigen::Index m = incidence_.cols();
  const Eigen::Index inputs = node_input_.cols();
  // Net current into the nodes as a function of (a, j), u and b: -(G P, S) x + J u - G N b.
  MatrixXd drive(g.rows(), n + m);
  drive.leftCols(n) = -g * range_;
  drive.rightCols(m) = -incidence_;

  // 0 = N'(drive x + J u) - N' G N b.
  const MatrixXd inner = kernel_.transpose() * g * kernel_;
  const Eigen::PartialPivLU<MatrixXd> solve(inner);
  const MatrixXd algebraic_state = solve.solve(kernel_.transpose() * drive);
  const MatrixXd algebraic_input = solve.solve(kernel_.transpose() * node_input_);

  StateSpace out;
  out.c = kernel_ * algebraic_state;
  out.c.leftCols(n) += range_;
  out.d = kernel_ * algebraic_input;

  const MatrixXd g_kernel = g * kernel_;
  out.a.resize(n + m, n + m);
  out.a.topRows(n) = range_.transpose() * (drive - g_kernel * algebraic_state);
  out.a.bottomRows(m) = incidence_.transpose() * out.c;
  out.a.bottomRightCorner(m, m) -= branch_loss_;
  out.b.resize(n + m, inputs);
  out.b.topRows(n) = range_.transpose() * (node_input_ - g_kernel * algebraic_input);
  out.b.bottomRows(m) = incidence_.transpose() * out.d;
  return out;
}

MatrixXd Network::resistive(const std::vector<Conductance>& conductances) const {
  constexpr double least_ohm = 1e-3;
  MatrixXd g = conductance_;
  for (const Conductance& extra : conductances) stamp(g, extra.from, extra.to, extra.siemens);
  for (const Branch& branch : branches_) {
    stamp(g, branch.from, branch.to, 1.0 / std::max(branch.ohm, least_ohm));
  }
  return g;
}

}  // namespace nightbench::mock::board
