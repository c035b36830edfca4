#include "scpi_cases.hpp"

#include <array>
#include <cstdio>
#include <tuple>
#include <utility>

namespace nightbench::mock::instrument::cases {
namespace {

using Cases = std::vector<Case>;
using Strings = std::vector<std::string>;

std::string lower(std::string text) {
  for (char& c : text) c = c >= 'A' && c <= 'Z' ? static_cast<char>(c - 'A' + 'a') : c;
  return text;
}
// "fReQ": letters alternate.
std::string mixed(std::string text) {
  for (std::size_t i = 0; i < text.size(); i += 2) text[i] = lower(text.substr(i, 1))[0];
  return text;
}
std::string number(double value) {
  std::array<char, 40> text{};
  std::snprintf(text.data(), text.size(), "%.15g", value);
  return text.data();
}

void good(Cases& out, const std::string& clause, const std::string& message,
          const std::string& then, const std::string& answer) {
  out.push_back({clause, message, "", then, answer, {}});
}
void bad(Cases& out, const std::string& clause, const std::string& message, int error) {
  out.push_back({clause, message, "", "FREQ?", "1000000", {error}});
}

void forms(Cases& out) {
  const std::string clause = "S1 6.2.1 long and short form, S1 5.1 optional nodes";
  for (const char* colon : {"", ":"}) {
    for (const char* source : {"", "SOUR:", "SOURCE:"}) {
      for (const char* name : {"FREQ", "FREQUENCY"}) {
        for (const char* end : {"", ":CW", ":FIX", ":FIXED"}) {
          const std::string header = std::string(colon) + source + name + end;
          for (const std::string& spelled : {header, lower(header), mixed(header)}) {
            good(out, clause, spelled + " 5000", "FREQ?", "5000");
            out.push_back({clause, spelled + '?', "1000000", "", "", {}});
          }
        }
      }
    }
  }
  for (const char* source : {"", "SOUR:"}) {
    for (const char* level : {"", ":LEV", ":LEVEL"}) {
      for (const char* immediate : {"", ":IMM", ":IMMEDIATE"}) {
        for (const char* amplitude : {"", ":AMPL", ":AMPLITUDE"}) {
          good(out, clause, std::string(source) + "VOLT" + level + immediate + amplitude + " 2.5",
               "VOLT?", "2.5");
        }
      }
    }
  }
  // Neither form: every other beginning of the word, and one letter more.
  const std::string neither = "S1 6.2.1 exactly two spellings; S2 21.8.9 -113";
  struct Word {
    const char* before;
    const char* word;
    std::size_t short_form;
    const char* after;
  };
  for (const Word& each : {Word{"", "FREQUENCY", 4, " 5"}, Word{"", "SOURCE", 4, ":FREQ 5"},
                           Word{"", "OUTPUT", 4, " 1"}, Word{"VOLT:", "AMPLITUDE", 4, " 1"},
                           Word{"INP:", "COUPLING", 4, " AC"}, Word{"", "RESISTANCE", 3, " 1"},
                           Word{"CALC:", "PHASE", 4, " 1"}, Word{"TRIG:", "DELAY", 3, " 1"}}) {
    const std::string word = each.word;
    for (std::size_t n = 1; n < word.size(); ++n) {
      if (n == each.short_form) continue;
      bad(out, neither, each.before + word.substr(0, n) + each.after, -113);
    }
    bad(out, neither, each.before + word + 'X' + each.after, -113);
  }
  for (const char* unknown : {"FOO 1", "FREQ:FOO 1", "SOUR:FOO:BAR 1", "SOUR 1", "VOLT:FREQ 1",
                              "CW 5", ":FIX 5", "*FOO", "*CLS?", "*IDN", "*RST?", "OUTP:FOO 1",
                              "SYST:ERR", "SYST:VERS 1", "*OPC1", "SOUR:SOUR:FREQ 5"}) {
    bad(out, "S2 21.8.9 -113", unknown, -113);
  }
}

void numbers(Cases& out) {
  const std::string nrf = "488.2 7.7.2 decimal numeric (NRf)";
  for (const char* text : {"5",
                           "+5",
                           "5.",
                           "5.0",
                           "05",
                           "005.000",
                           ".5E1",
                           ".5e+1",
                           "5E0",
                           "5e+0",
                           "5E-0",
                           "0.005E3",
                           "5000E-3",
                           "50000e-04",
                           "5 E0",
                           "5E 0",
                           "5 E +0",
                           "5.0000000000000000000",
                           "0.0000000005E10",
                           "#H5",
                           "#h5",
                           "#Q5",
                           "#q5",
                           "#B101",
                           "#b0101",
                           "#H0005"}) {
    good(out, nrf, std::string("FREQ ") + text, "FREQ?", "5");
    good(out, nrf, std::string("MEM:PAIR ") + text, "MEM:PAIR?", "5,0");
  }
  for (const auto& [text, value] : {std::pair{"#HFF", "255"},
                                    {"#hff", "255"},
                                    {"#Q777", "511"},
                                    {"#B11111111", "255"},
                                    {"#HABCDEF", "11259375"},
                                    {"#Q17", "15"},
                                    {"#H1F", "31"}}) {
    good(out, "488.2 7.7.4 non-decimal (from memory); check values BLK-7",
         std::string("FREQ ") + text, "FREQ?", value);
  }
  for (const char* text : {"-5", "-5.0", "-.5E1", "-0.5e+01", "- 5"}) {
    if (std::string(text) == "- 5")
      bad(out, "S2 21.8.9 -121", std::string("VOLT ") + text, -121);
    else
      good(out, nrf, std::string("VOLT ") + text, "VOLT?", "-5");
  }
  for (const char* text :
       {"1.2.3", "+",   "-",   ".",  "+.",  "--5", "+-5",   "1E+", "1e-", "5E+V",
        "#H",    "#HG", "#B2", "#B", "#Q8", "#Q9", "#HFFG", "5$",  "5%",  "1..2"}) {
    bad(out, "S2 21.8.9 -121", std::string("FREQ ") + text, -121);
  }
  bad(out, "488.2 7.7.2.4.1 exponent to 32000; -123", "FREQ 1E32001", -123);
  bad(out, "488.2 7.7.2.4.1 exponent to 32000; -123", "FREQ 1E-32001", -123);
  bad(out, "488.2 7.7.2.4.1 exponent to 32000; -123", "FREQ 1E999999999999", -123);
  bad(out, "488.2 7.7.2.4.1, then -222", "FREQ 1E32000", -222);
  bad(out, "488.2 7.7.2.4.1, then -222", "FREQ 1E400", -222);
  good(out, "488.2 7.7.2.4.1", "VOLT 1E-32000", "VOLT?", "0");
  bad(out, "488.2 7.7.2.4.1 at most 255 digits; -124", "FREQ 1" + std::string(255, '0'), -124);
  good(out, "488.2 7.7.2.4.1 leading zeros do not count", "FREQ " + std::string(300, '0') + "5",
       "FREQ?", "5");
  good(out, "488.2 7.7.2.4.1 255 digits", "FREQ 5." + std::string(254, '0'), "FREQ?", "5");
}

void suffixes(Cases& out) {
  const std::string clause = "S1 7.2.2, 7.5; 488.2 7.7.3 suffix multipliers (from memory)";
  struct Multiplier {
    const char* text;
    double factor;
  };
  const std::array<Multiplier, 12> table{{{"EX", 1e18},
                                          {"PE", 1e15},
                                          {"T", 1e12},
                                          {"G", 1e9},
                                          {"MA", 1e6},
                                          {"K", 1e3},
                                          {"M", 1e-3},
                                          {"U", 1e-6},
                                          {"N", 1e-9},
                                          {"P", 1e-12},
                                          {"F", 1e-15},
                                          {"A", 1e-18}}};
  struct Use {
    const char* header;
    const char* unit;
    bool mega;
  };
  for (const Use& use : {Use{"VOLT", "V", false}, Use{"TRIG:DEL", "S", false},
                         Use{"FREQ", "HZ", true}, Use{"RES", "OHM", true}}) {
    for (const Multiplier& each : table) {
      const bool exception = use.mega && std::string(each.text) == "M";
      const double factor = exception ? 1e6 : each.factor;
      for (const char* gap : {"", " "}) {
        const std::string message =
            use.header + std::string(" ") + number(5 / factor) + gap + each.text + use.unit;
        good(out, exception ? "S1 7.2.2: M before HZ and OHM is mega" : clause, message,
             use.header + std::string("?"), "5");
        good(out, clause, lower(message), use.header + std::string("?"), "5");
      }
    }
    good(out, clause, use.header + std::string(" 5") + use.unit, use.header + std::string("?"),
         "5");
  }
  for (const auto& [message, query, value] :
       {std::tuple{"FREQ 2MHZ", "FREQ?", "2000000"},
        {"FREQ 2MAHZ", "FREQ?", "2000000"},
        {"RES 2 MOHM", "RES?", "2000000"},
        {"VOLT 2MV", "VOLT?", "0.002"},
        {"VOLT 2E3 MV", "VOLT?", "2"},
        {"CALC:PHAS 90DEG", "CALC:PHAS?", "90"},
        {"CALC:PHAS 3.14159265358979RAD", "CALC:PHAS?", "180"},
        {"VOLT 2VPP", "VOLT?", "2"}}) {
    good(out, clause, message, query, value);
  }
  for (const char* text :
       {"FREQ 5 FOO", "FREQ 5V", "FREQ 5 HZZ", "FREQ 5 XHZ", "FREQ 5 KKHZ", "VOLT 5HZ",
        "VOLT 5 DBM", "TRIG:DEL 5 V", "FREQ 5 E", "CALC:PHAS 1 KDEG", "FREQ 5 HZ2"}) {
    bad(out, "S2 21.8.9 -131", text, -131);
  }
  bad(out, "488.2 7.7.3.4 suffix to 12 characters; -134", "FREQ 5 ABCDEFGHIJKLM", -134);
  bad(out, "488.2 7.7.3.4: twelve are legal, but -131", "FREQ 5 ABCDEFGHIJKL", -131);
  for (const char* text : {"*ESE 1V", "*SRE 2 HZ", "OUTP 1V", "MEM:PAIR 1 S", "MEM:PAIR 1,2V"}) {
    bad(out, "S2 21.8.9 -138", text, -138);
  }
}

void specials(Cases& out) {
  struct Range {
    const char* header;
    const char* least;
    const char* most;
    const char* standard;
  };
  for (const Range& range : {Range{"FREQ", "1", "1E9", "1E6"}, Range{"VOLT", "-10", "10", "0"},
                             Range{"VOLT:RANG", "0", "100", "10"}, Range{"RES", "0", "1E9", "50"},
                             Range{"TRIG:DEL", "0", "1000", "0"}}) {
    const std::string header = range.header;
    for (const auto& [words, value] :
         {std::pair{Strings{"MIN", "MINIMUM", "min", "Minimum"}, range.least},
          {Strings{"MAX", "MAXIMUM", "max", "Maximum"}, range.most},
          {Strings{"DEF", "DEFAULT", "def", "Default"}, range.standard}}) {
      for (const std::string& word : words) {
        good(out, "S1 7.2.1.1-2 MINimum, MAXimum, DEFault", header + ' ' + word, header + '?',
             value);
        out.push_back({"S1 7.2.1.1-2, S1 6.2.3", header + "? " + word, value, "", "", {}});
      }
    }
  }
  for (const char* text : {"FREQ 0.999",      "FREQ 0",
                           "FREQ -5",         "FREQ 1.0001E9",
                           "FREQ INF",        "FREQ NINF",
                           "FREQ NAN",        "FREQ INFINITY",
                           "VOLT 10.001",     "VOLT -10.001",
                           "VOLT 11",         "VOLT 1KV",
                           "RES -1",          "TRIG:DEL 1001",
                           "TRIG:DEL -1US",   "CALC:PHAS 361",
                           "CALC:PHAS -7RAD", "*ESE 256",
                           "*ESE -1",         "*SRE 256",
                           "*SRE -1",         "STAT:OPER:ENAB 65536",
                           "STAT:QUES:PTR -1"}) {
    bad(out, "S2 21.8.10 -222, setting unchanged", text, -222);
  }
  for (const char* text : {"FREQ MINI", "FREQ UP1", "FREQ FOO", "FREQ ON", "VOLT MAXI"}) {
    bad(out, "S2 21.8.9 -141", text, -141);
  }
  for (const char* text : {"MEM:PAIR MIN", "MEM:PAIR FOO", "MEM:PAIR 1,MAX", "*ESE MAX"}) {
    bad(out, "S2 21.8.9 -148", text, -148);
  }
}

void booleans(Cases& out) {
  for (const auto& [text, value] : {std::pair{"ON", "1"},
                                    {"OFF", "0"},
                                    {"on", "1"},
                                    {"Off", "0"},
                                    {"1", "1"},
                                    {"0", "0"},
                                    {"2", "1"},
                                    {"-1", "1"},
                                    {"0.4", "0"},
                                    {"0.6", "1"},
                                    {"1E3", "1"},
                                    {"#B1", "1"},
                                    {"#H0", "0"},
                                    {"-0.2", "0"},
                                    {"+1.0", "1"}}) {
    for (int output = 1; output <= 4; ++output) {
      const std::string header = "OUTP" + std::to_string(output);
      good(out, "S1 7.3 boolean; S1 6.2.5 numeric suffix", header + ' ' + text, header + '?',
           value);
    }
    good(out, "S1 6.2.5 an absent suffix means 1", std::string("OUTPUT:STATE ") + text, "OUTP1?",
         value);
  }
  for (const char* suffix : {"0", "5", "6", "10", "99", "00", "4294967297", "99999999999999"}) {
    const std::string header = std::string("OUTP") + suffix;
    if (header.size() <= 12) bad(out, "S1 6.2.5.2: -114, not -113", header + " 1", -114);
    if (header.size() <= 12) bad(out, "S1 6.2.5.2: -114, not -113", header + "?", -114);
  }
  for (const char* text : {"FREQ2 5", "FREQ0 5", "SOUR2:FREQ 5", "INP3:COUP AC", "SYST2:ERR?"}) {
    bad(out, "S1 6.2.5.2: only 1 where no suffix is defined", text, -114);
  }
  good(out, "S1 6.2.5: 1 may always be written", "SOUR1:FREQ1 5", "FREQ?", "5");
  for (const auto& [text, error] : {std::pair{"OUTP YES", -141},
                                    {"OUTP TRUE", -141},
                                    {"OUTP O", -141},
                                    {"OUTP \"ON\"", -158},
                                    {"OUTP 'ON'", -158},
                                    {"OUTP (@1)", -178},
                                    {"OUTP #15hello", -168},
                                    {"OUTP", -109},
                                    {"OUTP ON,OFF", -108},
                                    {"OUTP 1,1", -108}}) {
    bad(out, "S2 21.8.9", text, error);
  }
}

void words_and_strings(Cases& out) {
  for (const auto& [text, answer] : {std::pair{"DC", "DC"},
                                     {"AC", "AC"},
                                     {"GRO", "GRO"},
                                     {"GROUND", "GRO"},
                                     {"ground", "GRO"},
                                     {"ac", "AC"},
                                     {"Gro", "GRO"}}) {
    good(out, "S1 7.1 character data; answered in short form, upper case (from memory)",
         std::string("INP:COUP ") + text, "INP:COUP?", answer);
  }
  for (const auto& [text, error] : {std::pair{"INP:COUP GROU", -141},
                                    {"INP:COUP G", -141},
                                    {"INP:COUP FOO", -141},
                                    {"INP:COUP AC$", -141},
                                    {"INP:COUP ABCDEFGHIJKLM", -144},
                                    {"INP:COUP 1", -128},
                                    {"INP:COUP #H1", -128},
                                    {"INP:COUP \"AC\"", -158},
                                    {"INP:COUP (@1)", -178},
                                    {"INP:COUP #11a", -168},
                                    {"INP:COUP", -109},
                                    {"INP:COUP AC,DC", -108},
                                    {"DISP:TEXT abc", -148},
                                    {"DISP:TEXT 5", -128},
                                    {"DISP:TEXT (@1)", -178},
                                    {"DISP:TEXT #13abc", -168},
                                    {"DISP:TEXT \"a", -151},
                                    {"DISP:TEXT 'a", -151},
                                    {"DISP:TEXT \"a'", -151},
                                    {"DISP:TEXT \"a\"\"", -151},
                                    {"DISP:TEXT \"a\" \"b\"", -103},
                                    {"DISP:TEXT \"a\",\"b\"", -108},
                                    {"DISP:TEXT", -109},
                                    {"FREQ \"5\"", -158},
                                    {"FREQ #15hello", -168},
                                    {"FREQ (@1)", -178},
                                    {"FREQ #15abc", -161},
                                    {"FREQ #1", -161},
                                    {"FREQ #2a5", -161},
                                    {"FREQ #9123", -161},
                                    {"FREQ #Z", -160},
                                    {"FREQ #", -160},
                                    {"FREQ #10", -168},
                                    {"FREQ #0abc", -168}}) {
    bad(out, "S2 21.8.9 by data type", text, error);
  }
  for (const auto& [text, answer] : {std::pair{"\"abc\"", "\"abc\""},
                                     {"'abc'", "\"abc\""},
                                     {"\"\"", "\"\""},
                                     {"''", "\"\""},
                                     {"\"a;b,c:d\"", "\"a;b,c:d\""},
                                     {"\"it's\"", "\"it's\""},
                                     {"'it''s'", "\"it's\""},
                                     {"\"say \"\"hi\"\"\"", "\"say \"\"hi\"\"\""},
                                     {"'say \"hi\"'", "\"say \"\"hi\"\"\""},
                                     {"\"(@1)\"", "\"(@1)\""},
                                     {"\"#15hello\"", "\"#15hello\""},
                                     {"\" lead\"", "\" lead\""}}) {
    good(out, "488.2 7.7.5, 8.7.8 strings (from memory)", std::string("DISP:TEXT ") + text,
         "DISP:TEXT?", answer);
  }
}

void lists(Cases& out) {
  for (const auto& [text, answer] : {std::pair{"(@1)", "1"},
                                     {"(@1,2)", "1,2"},
                                     {"(@1,3:5)", "1,3,4,5"},
                                     {"(@5:3)", "5,4,3"},
                                     {"(@ 1 , 2 )", "1,2"},
                                     {"(@101:103)", "101,102,103"},
                                     {"(@2!4)", "2!4"},
                                     {"(@1!1:2!2)", "1!1,1!2,2!1,2!2"},
                                     {"(@1,2!4)", "1,2!4"},
                                     {"(@)", ""},
                                     {"(@7:7)", "7"}}) {
    if (std::string(text) == "(@)") {
      good(out, "S1 8.3.2 channel list", std::string("ROUT:CLOS ") + text, "FREQ?", "1000000");
    } else {
      good(out, "S1 8.3.2 channel list", std::string("ROUT:CLOS ") + text, "ROUT:CLOS?", answer);
    }
  }
  for (const auto& [text, error] : {std::pair{"(@1", -171},
                                    {"(@1,)", -171},
                                    {"(@1:)", -171},
                                    {"(@:1)", -171},
                                    {"(1,2)", -171},
                                    {"(@a)", -171},
                                    {"(@1!)", -171},
                                    {"(@1:2!3)", -171},
                                    {"(@1 2)", -171},
                                    {"(@-1)", -171},
                                    {"(@1:100000)", -223},
                                    {"1", -128},
                                    {"\"1\"", -158},
                                    {"ALL", -148},
                                    {"@1", -102}}) {
    bad(out, "S2 21.8.9, S1 8.3.2", std::string("ROUT:CLOS ") + text, error);
  }
}

void white_space(Cases& out) {
  for (int c = 0; c <= 0x20; ++c) {
    if (c == '\n') continue;
    const std::string blank(1, static_cast<char>(c));
    const std::string clause = "488.2 7.4.1.2 white space (from memory)";
    good(out, clause, "FREQ" + blank + "5", "FREQ?", "5");
    good(out, clause, blank + "FREQ 5" + blank, "FREQ?", "5");
    good(out, clause, "VOLT 1" + blank + ';' + blank + "FREQ" + blank + blank + "5", "FREQ?", "5");
    good(out, clause, "MEM:PAIR 1" + blank + ',' + blank + "2", "MEM:PAIR?", "1,2");
    // Inside a header it ends the header: what follows is data.
    bad(out, "488.2 7.4.1.2: not inside a header", "SOUR" + blank + ":FREQ 5", -102);
  }
  for (const char* text :
       {"FREQ\"5\"", "FREQ'5'", "FREQ(@1)", "FREQ#H5", "FREQ+5", "FREQ-5", "FREQ.5", "FREQ,5",
        "FREQ?5", "FREQ?MAX", "FREQ/5", "FREQ@5", "*ESE+1", "*ESE\"1\""}) {
    bad(out, "S2 21.8.9 -111", text, -111);
  }
  for (const char* text : {"FREQ 5 6", "FREQ 5 :VOLT 1", "FREQ 5 \"a\"", "VOLT 1 (@1)", "FREQ 5:6",
                           "INP:COUP AC DC", "MEM:PAIR 1 2", "DISP:TEXT \"a\"b", "FREQ 5\"a\"",
                           "FREQ 5'", "FREQ 5E HZ", "FREQ MAX MAX", "ROUT:CLOS (@1)(@2)"}) {
    bad(out, "S2 21.8.9 -103", text, -103);
  }
}

void characters(Cases& out) {
  for (int c = 0x21; c <= 0xFF; ++c) {
    const bool alien = c >= 0x7F || std::string("!$%&<=>[]\\^`{|}~").find(static_cast<char>(c)) !=
                                        std::string::npos;
    if (!alien) continue;
    const std::string letter(1, static_cast<char>(c));
    bad(out, "S2 21.8.9 -101", "FR" + letter + "Q 5", -101);
    bad(out, "S2 21.8.9 -101", letter + "FREQ 5", -101);
    if (c % 4 == 0) bad(out, "S2 21.8.9 -101", "FREQ " + letter, -101);
  }
  for (const char* text : {"1FREQ 5", "?", "\"FREQ\" 5", ",", "(@1)", "#H5", "+5", "_FREQ 5"}) {
    bad(out, "S2 21.8.9 -110", text, -110);
  }
  for (const char* text : {"FREQ: 5", "FREQ::CW 5", ": 5", ":", "::FREQ 5", "SOUR:5", "*", "* IDN?",
                           "*:CLS", ";", "FREQ 5;;VOLT 1", "FREQ ,5", "MEM:PAIR 1,",
                           "MEM:PAIR 1,,2", "MEM:PAIR ,1", "FREQ :5", "FREQ *5", "FREQ ?"}) {
    const bool set = std::string(text) == "FREQ 5;;VOLT 1";
    out.push_back({"S2 21.8.9 -102", text, "", "FREQ?", set ? "5" : "1000000", {-102}});
  }
  for (const char* text : {"ABCDEFGHIJKLM 5", "FREQ:ABCDEFGHIJKLMN 5", "*ABCDEFGHIJKLM"}) {
    bad(out, "488.2 7.6.1.4.1 mnemonics to 12 characters; -112", text, -112);
  }
  bad(out, "488.2 7.6.1.4.1 twelve are legal, but -113", "ABCDEFGHIJKL 5", -113);
}

void counts(Cases& out) {
  for (const char* text : {"FREQ", "VOLT", "*ESE", "MEM:PAIR", "ROUT:CLOS", "STAT:OPER:ENAB"}) {
    bad(out, "S2 21.8.9 -109", text, -109);
  }
  for (const char* text : {"FREQ 5,6", "*RST 1", "*IDN? 1", "MEM:PAIR 1,2,3", "FREQ? MAX,MIN",
                           "SYST:ERR? 1", "*CLS 0", "OUTP? 1"}) {
    bad(out, "S2 21.8.9 -108", text, -108);
  }
}

void messages(Cases& out) {
  const std::string path = "S1 6.2.4 header path";
  const auto then = [&out](const std::string& clause, const std::string& message,
                           const std::string& query, const std::string& answer,
                           std::vector<int> errors) {
    out.push_back({clause, message, "", query, answer, std::move(errors)});
  };
  then(path, "SOUR:FREQ 5;VOLT 3", "VOLT?", "3", {});
  then(path, ":SOUR:FREQ 5;VOLT 3", "FREQ?", "5", {});
  then(path, "SOUR:VOLT:LEV 1;RANG 5", "VOLT:RANG?", "5", {});
  then(path, "VOLT:LEV:IMM:AMPL 1;:VOLT:RANG 5", "VOLT:RANG?", "5", {});
  then(path, "VOLT:RANG 5;RANG 6;RANG 7", "VOLT:RANG?", "7", {});
  then(path, "VOLT:RANG 5;FREQ 7", "FREQ?", "1000000", {-113});
  then(path, "VOLT:RANG 5;:FREQ 7", "FREQ?", "7", {});
  then("S1 6.2.4 with S1 5.1: IMMediate may be left out", "VOLT:LEV:IMM 1;AMPL 2", "VOLT?", "2",
       {});
  then(path, "SOUR:VOLT:LEV:IMM:AMPL 1;AMPL 2", "VOLT?", "2", {});
  then(path, "INP:COUP AC;OUTP 1", "OUTP1?", "0", {-113});
  then(path, "INP:COUP AC;:OUTP 1", "OUTP1?", "1", {});
  then("S1 6.2.4: a common command leaves the path alone", "VOLT:RANG 5;*OPC;RANG 6", "VOLT:RANG?",
       "6", {});
  then("S1 6.2.4: a common command leaves the path alone", "SOUR:FREQ 5;*ESE 1;VOLT 2", "VOLT?",
       "2", {});
  then("S1 6.2.4: the root after a terminator", "SOUR:VOLT:RANG 5", "FREQ?", "1000000", {});
  const auto answers = [&out](const std::string& clause, const std::string& message,
                              const std::string& answer, std::vector<int> errors) {
    out.push_back({clause, message, answer, "", "", std::move(errors)});
  };
  answers(path, "SOUR:FREQ?;VOLT?", "1.000000000000E+06;0.000000000000E+00", {});
  answers("488.2 8.5 units joined by ';' (from memory)", "*ESE?;*SRE?;*STB?", "0;0;16", {});
  answers("488.2 8.5 (from memory)", "OUTP1?;:OUTP2?;OUTP3?", "0;0;0", {});
  answers("S1 6.2.4: the path keeps its suffix", ":OUTP3:STAT 1;STAT?;:OUTP1:STAT?", "1;0", {});
  answers("488.2 8.4 items joined by ','", "MEM:PAIR 3,4;PAIR?",
          "3.000000000000E+00,4.000000000000E+00", {});
  answers("488.2 6.5.7.5, 10.14.3: *IDN? ends the answers", "*IDN?;*ESE?", "MAKER,MODEL,1,2",
          {-440});
  answers("488.2 10.14", "*ESE 1;*IDN?", "MAKER,MODEL,1,2", {});
  answers("488.2 10.14", "*ESE?;*IDN?", "0;MAKER,MODEL,1,2", {});
  answers("SCPI-1999", "SYST:VERS?", "1999.0", {});
  answers("488.2 10.38", "*TST?", "0", {});
  answers("488.2 12.5.3", "*OPC?", "1", {});
  then("488.2 6.1.6: after a command error the rest goes (from memory)", "FREQ 5;FOO 1;VOLT 2",
       "VOLT?", "0", {-113});
  then("488.2 6.1.6: what stood before it has been done", "FREQ 5;FOO 1;VOLT 2", "FREQ?", "5",
       {-113});
  then("S2 21.8.10: execution errors leave the rest alone", "FREQ 1E12;VOLT 2", "VOLT?", "2",
       {-222});
  then("S2 21.8.10", "FREQ 1E12;VOLT 20;RES -1", "FREQ?", "1000000", {-222, -222, -222});
  answers("S1 6.2.4", "FREQ 5;FREQ?", "5", {});
  answers("488.2 7.3: an empty message is legal", "", "", {});
  answers("488.2 7.3: an empty message is legal", "  \t\r ", "", {});
  for (int mask = 0; mask < 256; mask += 17) {
    then("488.2 10.10 *ESE (from memory)", "*ESE " + std::to_string(mask), "*ESE?",
         std::to_string(mask), {});
    then("488.2 10.34: bit 6 of SRE is ignored (from memory)", "*SRE " + std::to_string(mask),
         "*SRE?", std::to_string(mask & ~64), {});
    then("S1 9: OPERation enable", "STAT:OPER:ENAB " + std::to_string(mask * 128),
         "STAT:OPER:ENAB?", std::to_string((mask * 128) & 0x7FFF), {});
  }
  then("488.2 10.10: rounded", "*ESE 4.6", "*ESE?", "5", {});
  then("488.2 10.10 and 7.7.4", "*ESE #HFF", "*ESE?", "255", {});
}

}  // namespace

std::vector<Case> all() {
  Cases out;
  forms(out);
  numbers(out);
  suffixes(out);
  specials(out);
  booleans(out);
  words_and_strings(out);
  lists(out);
  white_space(out);
  characters(out);
  counts(out);
  messages(out);
  return out;
}

}  // namespace nightbench::mock::instrument::cases
