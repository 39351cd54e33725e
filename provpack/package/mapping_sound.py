"""Table of fields, third part: the signal, what was measured of it, what was done to it, and the files."""

from __future__ import annotations

TABLE = """
/signal/sampling_frequency/num = aes57 face/timeline/duration ~ edit units; dc extent ~ within
    ; aes57 appSpecificData ~ after 'sampling frequency, exact: '
    ; premis object[master-1]/significantProperties[sampling frequency, exact]/significantPropertiesValue ~
        within
/signal/sampling_frequency/den = aes57 face/timeline/duration ~ edit units; dc extent ~ within
    ; premis object[master-1]/significantProperties[sampling frequency, exact]/significantPropertiesValue ~
        within
/signal/header_sampling_frequency_hz = history capture row F
    ; premis object[master-1]/significantProperties[sampling frequency in the file header,
        Hz]//significantPropertiesValue
    ; aes57 appSpecificData ~ after 'sampling frequency in the file header, Hz: '
/signal/rate_label_note = aes57 appSpecificData ~ after 'note on the rate: '
/signal/tape_emphasis = history tape row T ~ in words
    ; aes57 formatRegion/equalization ~ in words ? no range says more
    ; premis object[carrier]/significantProperties[pre-emphasis state of the
        tape]/significantPropertiesValue
/signal/tape_emphasis_evidence[] = aes57 formatRegion/equalization ~ in words ? no range says more
    ; premis object[carrier]/significantProperties[evidence of that state]/significantPropertiesValue ~
        within
/signal/file_emphasis = bext Description ~ in words; history capture row T ~ in words
    ; premis object[master-1]/significantProperties[pre-emphasis state of the
        file]/significantPropertiesValue
    ; aes57 formatRegion/equalization ~ in words ? no range says more
/signal/signal_state_ranges[]/start = markers frame ? it is inside the audio
    ; aes57 region/timeRange/startTime ? the state changes there
/signal/signal_state_ranges[]/end = markers end ? the start is inside the audio
    ; aes57 region/timeRange ~ end ? the state changes there
/signal/signal_state_ranges[]/emphasis = markers label ~ within ? the start is inside the audio
    ; aes57 formatRegion/equalization ~ in words ? ranges do not contradict each other
/signal/signal_state_ranges[]/mode = markers label ~ within ? the start is inside the audio
    ; aes57 formatRegion/bitDepth ? it is known, and the path digital
/signal/signal_state_ranges[]/evidence[] = aes57 formatRegion/equalization ~ in words
/signal/signal_state_ranges[]/note = aes57 conditionNote/note ~ within
/signal/channel_use = history capture row M ~ in words ? the list of R 98 has a word for it
    ; premis object[master-1]/significantProperties[channel use]/significantPropertiesValue
    ; aes57 formatRegion/soundField ~ in words
/signal/channel_use_note = aes57 formatRegion/soundField ~ within ? the use is none of the list
/signal/channel_polarity = aes57 conditionNote/note ~ says 'logged: polarity inverted' ? a channel is
        inverted
/measured/tool = premis event[metadata-extraction-1]//eventDetail ~ words
/measured/version = premis event[metadata-extraction-1]//eventDetail ~ words
/measured/at = premis event[metadata-extraction-1]/eventDateTime
/measured/frames = premis event[metadata-extraction-1]//eventDetail ~ words
    ; premis object[master-1]/significantProperties[frames]/significantPropertiesValue
    ; premis object[audio-1]/significantProperties[samples]/significantPropertiesValue ~ words
    ; aes57 face/timeline/duration; dc extent ~ within
/measured/duration_s = dc extent ~ duration
/measured/channels = premis event[metadata-extraction-1]//eventDetail ~ words
    ; premis object[master-1]/significantProperties[channels]/significantPropertiesValue
    ; premis object[audio-1]/significantProperties[samples]/significantPropertiesValue ~ words
    ; aes57 region/numChannels
/measured/container_bits = premis event[metadata-extraction-1]//eventDetail ~ words
    ; premis object[audio-1]/significantProperties[samples]/significantPropertiesValue ~ words
    ; aes57 formatRegion/wordSize
/measured/effective_bits[] = premis event[metadata-extraction-1]//eventDetail ~ words
/measured/peak_dbfs[] = premis event[metadata-extraction-1]//eventDetail ~ words
/measured/dc_offset[] - a measurement: record.json and measurements.json
/measured/digital_silence[]/start = aes57 conditionNote/timeRange/startTime ? it is one of the first 300
/measured/digital_silence[]/length = aes57 conditionNote/timeRange/duration ? it is one of the first 300
/measured/events_detected[]/type = aes57 conditionNote/note ~ after 'measured: ' ? it is one of the
        first 300
/measured/events_detected[]/start = aes57 conditionNote/timeRange/startTime ? it is one of the first 300
/measured/events_detected[]/length = aes57 conditionNote/timeRange/duration ? it is one of the first 300
/measured/events_detected[]/channel = aes57 region/stream ~ stream ? it is one of the first 300
/measured/events_detected[]/confidence = aes57 conditionNote/note ~ after 'confidence ' ? it is one of
        the first 300
/measured/events_detected[]/note = aes57 conditionNote/note ~ within ? it is one of the first 300
/measured/channel_relation - a measurement: record.json and measurements.json
/measured/interchannel_delay/value_samples = aes57 region/stream/conditionNote/note ~ within
/measured/interchannel_delay/coherence - a measurement: record.json and measurements.json
/measured/interchannel_delay/windows_agreeing = aes57 region/stream/conditionNote/note ~ within ? there
        is a value
/measured/interchannel_delay/windows = aes57 region/stream/conditionNote/note ~ within ? there is a value
/measured/line_pilot_hz/value - a measurement: record.json and measurements.json
/measured/line_pilot_hz/verdict - a measurement: record.json and measurements.json
/measured/line_pilot_hz/note - a measurement: record.json and measurements.json
/measured/rms_dbfs[] - a measurement: record.json and measurements.json
/measured/true_peak_dbtp[] - a measurement: record.json and measurements.json
/measured/loudness/integrated_lufs = bext LoudnessValue ~ hundredths
/measured/loudness/range_lu = bext LoudnessRange ~ hundredths
/measured/loudness/max_momentary_lufs = bext MaxMomentaryLoudness ~ hundredths
/measured/loudness/max_short_term_lufs = bext MaxShortTermLoudness ~ hundredths
/measured/loudness/max_true_peak_dbtp = bext MaxTruePeakLevel ~ hundredths
/measured/bandwidth_hz[] - a measurement: record.json and measurements.json
/measured/clipped_samples[] - a measurement: record.json and measurements.json
/measured/event_counts/mute - a measurement: record.json and measurements.json
/measured/event_counts/hold - a measurement: record.json and measurements.json
/measured/event_counts/interpolation - a measurement: record.json and measurements.json
/measured/event_counts/unlock - a measurement: record.json and measurements.json
/measured/event_counts/click - a measurement: record.json and measurements.json
/measured/event_counts/clipped_run - a measurement: record.json and measurements.json
/measured/event_counts/digital_silence - a measurement: record.json and measurements.json
/measured/event_counts/other - a measurement: record.json and measurements.json
/measured/events_left_out = aes57 conditionNote/note ~ within ? there are any
/measured/repetition/field_frames - a measurement: record.json and measurements.json
/measured/repetition/pattern - a measurement: record.json and measurements.json
/measured/repetition/period - a measurement: record.json and measurements.json
/measured/repetition/places - a measurement: record.json and measurements.json
/measured/repetition/lags - a measurement: record.json and measurements.json
/measured/repetition/score - a measurement: record.json and measurements.json
/measured/repetition/chance - a measurement: record.json and measurements.json
/measured/emphasis_hints[]/kind - a measurement: record.json and measurements.json
/measured/emphasis_hints[]/strength - a measurement: record.json and measurements.json
/measured/emphasis_hints[]/figure - a measurement: record.json and measurements.json
/measured/emphasis_hints[]/unit - a measurement: record.json and measurements.json
/measured/emphasis_hints[]/frame - a measurement: record.json and measurements.json
/measured/emphasis_hints[]/words - a measurement: record.json and measurements.json
/measured/conversion_hints[]/kind - a measurement: record.json and measurements.json
/measured/conversion_hints[]/strength - a measurement: record.json and measurements.json
/measured/conversion_hints[]/hertz - a measurement: record.json and measurements.json
/measured/conversion_hints[]/figure - a measurement: record.json and measurements.json
/measured/conversion_hints[]/windows - a measurement: record.json and measurements.json
/measured/conversion_hints[]/windows_able - a measurement: record.json and measurements.json
/measured/conversion_hints[]/words - a measurement: record.json and measurements.json
/measured/details = mets FLocat/@href ~ location ? the file is in the package
/processing/processing_steps[]/type = premis event[processing-{n}]//eventDetail ~ words ? it is not our own
/processing/processing_steps[]/tool = premis event[processing-{n}]//eventDetail ~ words ? it is not our own
/processing/processing_steps[]/version = premis event[processing-{n}]//eventDetail ~ words ? it is not
        our own
/processing/processing_steps[]/agent = premis event[processing-{n}]//eventDetail ~ words ? it is not our own
/processing/processing_steps[]/at = premis event[processing-{n}]/eventDateTime ? it is not our own
/processing/processing_steps[]/filter = premis event[processing-{n}]//eventDetail ~ words
/processing/processing_steps[]/sampling_frequency/num = premis event[processing-{n}]//eventDetail ~ words
/processing/processing_steps[]/sampling_frequency/den = premis event[processing-{n}]//eventDetail ~ words
/processing/processing_steps[]/ranges[]/start = premis event[processing-{n}]//eventDetail ~ words
/processing/processing_steps[]/ranges[]/end = premis event[processing-{n}]//eventDetail ~ words
/processing/processing_steps[]/ranges[]/crossover_frames = premis event[processing-{n}]//eventDetail ~ words
/processing/processing_steps[]/parameters = premis event[processing-{n}]//eventDetail ~ words ? it is
        not our own
/processing/processing_steps[]/input_sha256 = premis
        event[processing-{n}]/linkingObjectIdentifier/linkingObjectIdentifierValue ~ object ? the file is here
/processing/processing_steps[]/output_sha256 = premis
        event[processing-{n}]/linkingObjectIdentifier/linkingObjectIdentifierValue ~ object ? the file is here
/processing/processing_steps[]/output_path = premis event[processing-{n}]//eventDetail ~ words
/processing/processing_steps[]/note = premis event[processing-{n}]//eventDetail ~ words ? it is not our own
/processing/passes[]/n = premis event[capture-{n}]//eventDetail ~ words
    ; mets div[div-pass-{n}]/@LABEL ~ after 'pass '
/processing/passes[]/chain_id = premis event[capture-{n}]//eventDetail ~ words
/processing/passes[]/deck_id = premis event[capture-{n}]//eventDetail ~ words
/processing/passes[]/decoder_id = premis event[capture-{n}]//eventDetail ~ words
/processing/passes[]/capture_device_id = premis event[capture-{n}]//eventDetail ~ words
/processing/passes[]/capture_input = premis event[capture-{n}]//eventDetail ~ words
/processing/passes[]/line_standard = premis event[capture-{n}]//eventDetail ~ words
/processing/passes[]/sampling_frequency/num = premis event[capture-{n}]//eventDetail ~ words
/processing/passes[]/sampling_frequency/den = premis event[capture-{n}]//eventDetail ~ words
/processing/passes[]/header_sampling_frequency_hz = premis event[capture-{n}]//eventDetail ~ words
/processing/passes[]/started_at = premis event[capture-{n}]/eventDateTime ~ date
    ; bext OriginationDate ~ day ? the pass left the master
    ; bext OriginationTime ~ clock ? the pass left the master
/processing/passes[]/stopped_at = premis event[capture-{n}]/eventDateTime ~ date
/processing/passes[]/outcome = premis event[capture-{n}]//eventOutcomeDetailNote
/processing/passes[]/reason = premis event[capture-{n}]//eventDetail ~ words
/processing/passes[]/file = premis event[capture-{n}]//eventDetail ~ words
/processing/passes[]/sha256 = premis
        event[capture-{n}]/linkingObjectIdentifier/linkingObjectIdentifierValue ~ object ? the file is here
/processing/passes[]/note = premis event[capture-{n}]//eventDetail ~ words
/processing/assembly[]/pass_n = history capture row T ~ within; mets div[div-assembly]/@LABEL ~ within
    ; aes57 conditionNote/note ~ after 'logged: copied from pass '
/processing/assembly[]/source_start = aes57 conditionNote/note ~ after 'its frames '
/processing/assembly[]/source_end = aes57 conditionNote/note ~ within
/processing/assembly[]/target_start = aes57 conditionNote/timeRange/startTime
/processing/assembly[]/target_end = aes57 conditionNote/timeRange ~ end
/processing/assembly[]/note = aes57 conditionNote/note ~ within
/processing/transfer_events[]/frame = markers frame ? it is inside the audio
    ; aes57 conditionNote/timeRange/startTime ? it is inside the audio
/processing/transfer_events[]/at = aes57 conditionNote/note ~ after 'clock '
/processing/transfer_events[]/type = markers label ? its place is inside the audio
    ; aes57 conditionNote/note ~ in words
/processing/transfer_events[]/origin = aes57 conditionNote/note ~ in words
/processing/transfer_events[]/note = markers note ? its place is inside the audio
    ; aes57 conditionNote/note ~ within
/files[]/role = mets file[file-{file}]/@ID ~ within
/files[]/path = premis object[{file}]/objectIdentifier[path in package]/objectIdentifierValue
    ; mets file[file-{file}]/FLocat/@href ~ location
    ; aes57 primaryIdentifier ~ last part ? it is the master
    ; dc hasFormat ? it is a derivative on the same time line; dc relation ? it is another derivative
/files[]/media_type = premis object[{file}]//formatNote ~ after 'media type '
    ; mets file[file-{file}]/@MIMETYPE; dc format ? it is the master
/files[]/bytes = premis object[{file}]/objectCharacteristics/size; mets file[file-{file}]/@SIZE
/files[]/sha256 = premis object[{file}]/objectCharacteristics/fixity[SHA-256]/messageDigest
    ; mets file[file-{file}]/@CHECKSUM ? there is no SHA-512
/files[]/sha512 = premis object[{file}]/objectCharacteristics/fixity[SHA-512]/messageDigest
    ; mets file[file-{file}]/@CHECKSUM
/files[]/audio_sha256 = premis object[{file}]/significantProperties[SHA-256 of the audio payload
        alone]/significantPropertiesValue ? it is not the master
/files[]/original_name = premis object[{file}]/originalName
    ; premis object[{received}]/originalName ? the digest of the file handed in is known
/files[]/original_bytes = premis object[{received}]/objectCharacteristics/size ? its digest is known
/files[]/original_sha256 = premis object[{received}]/objectCharacteristics/fixity[SHA-256]/messageDigest
        ? it is a master or a pass
/files[]/parent = premis
        object[{file}]/relationship/relatedObjectIdentifier/relatedObjectIdentifierValue ~ object ? the parent
        is in the package
/files[]/file_emphasis = premis object[{file}]/significantProperties[pre-emphasis state of the
        file]/significantPropertiesValue ? it is not the master
/files[]/pass_n - only in record.json: passes are named by their files
/files[]/note - only in record.json: a remark
"""
