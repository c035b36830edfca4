// About a thousand SCPI messages, good and bad, with what an instrument must make of them.
//
// Expectations come from the rules themselves (named in `clause`: 488.2 = IEEE Std 488.2-1992,
// S1/S2 = SCPI-1999 volume 1/2; "from memory" where the text was not at hand), written out or made
// by a few lines beside them; never from the parser under test.
#pragma once

#include <string>
#include <vector>

namespace nightbench::mock::instrument::cases {

struct Case {
  std::string clause;
  std::string message;  // without terminator
  std::string answer;   // to the message; "" for none. A number is compared as a number
  std::string then;     // a query that is asked afterwards, on its own
  std::string then_answer;
  std::vector<int> errors;  // in the queue at the end, oldest first
};

// The device they are for:
//   [:SOURce]:FREQuency[:CW|:FIXed] <Hz>   1 to 1E9, default 1E6
//   [:SOURce]:VOLTage[:LEVel][:IMMediate][:AMPLitude] <V>   -10 to 10, default 0
//   [:SOURce]:VOLTage:RANGe <V>            0 to 100, default 10
//   [:SOURce]:RESistance <ohm>             0 to 1E9, default 50
//   :TRIGger:DELay <s>                     0 to 1000, default 0
//   :CALCulate:PHASe <deg>                 -360 to 360, default 0
//   :OUTPut<1:4>[:STATe] <boolean>         :INPut:COUPling DC|AC|GROund
//   :DISPlay:TEXT <string>                 :ROUTe:CLOSe (@list); the query answers it as written
//   out :MEMory:PAIR <number>[,<number>]       without special numbers
std::vector<Case> all();

}  // namespace nightbench::mock::instrument::cases
