// A small linear network and its state space (internal to the board; shows Eigen).
//
// Nodes with resistors, capacitors, coupled inductors with series resistance, transconductances
// and inputs (current into a node, or EMF in an inductor branch):
//
//   C v' = -G v - S i + J u        L i' = S' v - R i + E u
//
// C is singular, since many nodes carry no capacitance. An orthogonal split of C into range and
// kernel turns the rest into algebraic equations, which are eliminated:
//   v = P a + N b,  a' = P' (-G v - S i + J u),  0 = N' (-G v - S i + J u),
// with P = U c^-1/2 from C = U c U'. With i = K^-T j, L = K K', the states x = (a, j) carry energy
// x'x/2, which keeps numbers of all sizes (pF beside 10 uF) in balance.
#pragma once

#include <Eigen/Dense>
#include <vector>

namespace nightbench::mock::board {

inline constexpr int ground = -1;

// x' = a x + b u, node volts = c x + d u.
struct StateSpace {
  Eigen::MatrixXd a;
  Eigen::MatrixXd b;
  Eigen::MatrixXd c;
  Eigen::MatrixXd d;
};

class Network {
 public:
  Network(int nodes, int inputs);

  void resistor(int from, int to, double ohm);
  void capacitor(int from, int to, double farad);
  // Current gm (v(plus) - v(minus)) out of the ground into `into`.
  void transconductance(int into, int plus, int minus, double gm);
  void current_input(int into, int input, double ampere_per_unit);
  // Returns the branch's number, for couple() and emf_input().
  int inductor(int from, int to, double henry, double series_ohm);
  void couple(int branch, int other, double mutual_henry);

  // States depend on capacitors and inductors only, so networks that differ in resistors alone
  // (switch positions) share them. Call prepare() once these are in, then reduce() as often as
  // wanted with different conductances added.
  void prepare();
  // `conductances` are extra resistors for this one reduction.
  struct Conductance {
    int from;
    int to;
    double siemens;
  };
  StateSpace reduce(const std::vector<Conductance>& conductances) const;

  // Direct-current conductance matrix: inductors as their resistance, capacitors open.
  Eigen::MatrixXd resistive(const std::vector<Conductance>& conductances) const;

 private:
  struct Branch {
    int from;
    int to;
    double ohm;
  };
  static void stamp(Eigen::MatrixXd& matrix, int from, int to, double value);

  Eigen::MatrixXd capacitance_;
  Eigen::MatrixXd conductance_;
  Eigen::MatrixXd node_input_;
  std::vector<Branch> branches_;
  Eigen::MatrixXd inductance_;

  Eigen::MatrixXd range_;        // P
  Eigen::MatrixXd kernel_;       // N
  Eigen::MatrixXd incidence_;    // S K^-T: node currents from the normalised branch states
  Eigen::MatrixXd branch_loss_;  // K^-1 R K^-T
};

}  // namespace nightbench::mock::board
