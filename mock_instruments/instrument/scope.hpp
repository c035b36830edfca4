// Simulated oscilloscopes: one front end, three families of commands and read-out.
//
// Scope_waveform (a division of 1/8 full scale; format codes 0 BYTE, 1 WORD, 2 ASCii, 3 REAL):
//   :CHANnel<n>:DISPlay ON|OFF  :RANGe <V full scale>  :SCALe <V/div>  :OFFSet <V>  :COUPling DC|AC
//   :TIMebase:SCALe <s/div> (10 divisions)   :TIMebase:REFerence LEFT|CENTer
//   :ACQuire:SRATe <Hz>  :ACQuire:POINts <n>  :ACQuire:TYPE NORMal|AVERage  :ACQuire:COUNt <n>
//   :TRIGger:SWEep AUTO|NORMal  :TRIGger:EDGE:SOURce CHANnel<n>|NONE  :TRIGger:EDGE:LEVel <V>
//   :TRIGger:EDGE:SLOPe POSitive|NEGative   :RUN  :STOP  :SINGle   (*OPC? waits for the record)
//   :WAVeform:SOURce CHANnel<n>  :FORMat BYTE|WORD|ASCii|REAL  :BYTeorder MSBFirst|LSBFirst
//   :WAVeform:UNSigned ON|OFF  :POINts <n> (the first n)  :PREamble?  :DATA?
// Scope_curve (full scale is 10 divisions; replies carry their header until :HEADer OFF):
//   :SELect:CH<n> ON|OFF  :CH<n>:SCAle <V/div>  :CH<n>:OFFSet <V>  :CH<n>:COUPling DC|AC
//   :HORizontal:SAMPLERate <Hz>  :HORizontal:RECOrdlength <n>  :HORizontal:SCAle <s/div>
//   :HORizontal:POSition <% before the trigger>
//   :ACQuire:MODe SAMple|AVErage  :ACQuire:NUMAVg <n>  :ACQuire:STOPAfter SEQuence|RUNSTop
//   :ACQuire:STATE RUN|STOP|ON|OFF|<n>; the query is 1 until the record is complete    :BUSY?
//   :TRIGger:A:MODe AUTO|NORMal  :TRIGger:A:EDGE:SOUrce CH<n>  :TRIGger:A:EDGE:SLOpe RISe|FALL
//   :TRIGger:A:LEVel <V>
//   :DATa:SOUrce CH<n>  :DATa:ENCdg RIBinary|RPBinary|SRIbinary|SRPbinary|ASCIi  :DATa:WIDth 1|2
//   :DATa:STARt, STOP   :WFMOutpre? and its fields   :CURVe?   :HEADer ON|OFF
// Scope_trace (SCPI-1999):
//   [:SENSe<n>]:STATe ON|OFF  [:SENSe<n>]:VOLTage[:DC]:RANGe[:UPPer] <V full scale>
//   [:SENSe<n>]:VOLTage[:DC]:RANGe:OFFSet <V>  :INPut<n>:COUPling DC|AC
//   [:SENSe]:SWEep:POINts, :SWEep:TINTerval <s>, :SWEep:TIME?, :SWEep:OREFerence:LOCation <0..1>
//   [:SENSe]:AVERage[:STATe], :AVERage:COUNt
//   :TRIGger:SOURce IMMediate|INTernal<n>|BUS, :TRIGger:LEVel <V>, :TRIGger:SLOPe POSitive|NEGative
//   :INITiate[:IMMediate], :INITiate:CONTinuous, :ABORt, *TRG
//   :FORMat[:DATA] ASCii | REAL,32 | REAL,64 | INTeger,16   :FORMat:BORDer NORMal|SWAPped
//   :TRACe[:DATA]? CH<n>, :FETCh<n>?, :READ<n>?    volts; INTeger gives full scale / 65536
//
// OPERation bit 3 is set while a record is being taken, bit 5 while waiting for a trigger. Reading
// without a record gives -230, a channel that was off -221.
#pragma once

#include <memory>
#include <string>
#include <string_view>
#include <vector>

#include "mock_instruments/instrument/instrument.hpp"
#include "mock_instruments/instrument/scope_front_end.hpp"

namespace nightbench::mock::instrument {

class Scope : public Instrument {
 public:
  Scope(World& world, Setup setup, const ScopeConfig& config, double divisions,
        std::unique_ptr<WaveSource> source);
  ScopeFrontEnd& front_end() { return front_; }

 protected:
  void reset(TimePoint now) override;
  void update(TimePoint now) override;
  void stop_operations() override;

  // Commands that the families spell differently. `range`: "<1:2>".
  std::string range() const { return "<1:" + std::to_string(front_.config().channels) + '>'; }
  std::vector<std::string> channel_words(const std::string& prefix) const;
  void add_full_scale(const std::string& pattern, double divisions);
  void add_offset(const std::string& pattern);
  void add_coupling(const std::string& pattern);
  void add_channel_state(const std::string& pattern);
  void add_rate(const std::string& pattern);
  void add_points(const std::string& pattern);
  void add_averages(const std::string& pattern);  // the count; `averaging_` switches it on
  void add_level(const std::string& pattern);

  void arm(Call& call);
  // The finished record of a channel, or an error in `call`.
  const ScopeRecord* fetch(Call& call, int channel);
  void answer_block(Call& call, const std::string& bytes, int digits = 0);

  std::unique_ptr<WaveSource> source_;
  ScopeFrontEnd front_;
  bool averaging_ = false;
  int average_count_ = 16;
};

class ScopeWaveform final : public Scope {
 public:
  ScopeWaveform(World& world, Setup setup, const ScopeConfig& config,
                std::unique_ptr<WaveSource> source);

 protected:
  void reset(TimePoint now) override;

 private:
  void add_acquisition();
  void add_read_out();
  std::size_t points_to_send(const ScopeRecord& record) const;
  std::string preamble(const ScopeRecord& record) const;
  std::string data(const ScopeRecord& record) const;

  std::size_t channel_ = 0;
  std::size_t format_ = 0;
  std::size_t order_ = 0;
  bool unsigned_ = true;
  std::size_t points_ = 0;  // 0: all
};

class ScopeCurve final : public Scope {
 public:
  ScopeCurve(World& world, Setup setup, const ScopeConfig& config,
             std::unique_ptr<WaveSource> source);

 protected:
  void reset(TimePoint now) override;
  void restart() override { header_ = true; }
  std::string response_prefix(const Header& header) override;

 private:
  void add_acquisition();
  void add_read_out();
  struct Field {
    std::string name;
    std::string value;
  };
  std::vector<Field> preamble(const ScopeRecord& record) const;
  // First sample and number of samples that DATa:STARt and STOP select.
  std::pair<std::size_t, std::size_t> selected(const ScopeRecord& record) const;
  std::string curve(const ScopeRecord& record) const;
  bool little() const { return encoding_ == 2 || encoding_ == 3; }
  bool positive() const { return encoding_ == 1 || encoding_ == 3; }

  bool header_ = true;
  bool single_ = false;
  std::size_t channel_ = 0;
  std::size_t encoding_ = 0;
  int width_ = 1;
  std::size_t start_ = 1;
  std::size_t stop_ = 10'000;
};

class ScopeTrace final : public Scope {
 public:
  ScopeTrace(World& world, Setup setup, const ScopeConfig& config,
             std::unique_ptr<WaveSource> source);

 protected:
  void reset(TimePoint now) override;
  void stop_operations() override;

 private:
  void add_acquisition();
  void add_read_out();
  void initiate(Call& call);
  void answer(Call& call, int channel);

  std::size_t format_ = 0;
  int length_ = 0;
  std::size_t order_ = 0;
  std::size_t source_word_ = 0;
  bool waits_for_bus_ = false;
};

}  // namespace nightbench::mock::instrument
